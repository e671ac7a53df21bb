"""What ends a night, what happens in it, and what is written down."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from unit.trial.soak.nights import S, World, events, intervals, night, profile_of

import bench
from bench.api_soak import soak
from bench.base.errors import ProfileError, UsageError
from bench.ledger import read_run
from bench.trial.soak.asked import Said
from bench.trial.soak.readings import values_of
from bench.trial.soak.run import seed_of

if TYPE_CHECKING:
    from pathlib import Path


def test_what_is_kept(tmp_path: Path) -> None:
    """Every interval has its numbers, times, health, latency and bound."""
    world = World()
    result, stored = night(tmp_path, world, duration="8s", interval="2s")
    assert stored.faults == ()
    assert stored.verdict == result.as_dict()
    assert stored.run["soak"]["interval_ns"] == 2 * S
    rows = intervals(stored)
    assert [one["number"] for one in rows] == [0, 1, 2, 3]
    assert rows[0]["from_ns"] == 0
    assert rows[-1]["to_ns"] == result.figures["trial_ns"]
    for one in rows:
        assert one["stretch"] == 0
        assert one["at"].startswith("2026-11-06T21:20:")
        assert one["awake_ns"] == one["total_ns"]
        assert one["latency_ns"]["most"] == 2_000_000
        assert one["health"] == {
            "void": [],
            "queue_dry": 0,
            "lateness_p99_ns": None,
            "adapter_errors": None,
            "processor_share": 0.25,
            "memory_free_share": 0.5,
            "swapped_octets": 0,
        }
    bounds = [one["upper"] for one in rows]
    assert bounds == sorted(bounds, reverse=True)
    assert bounds[-1] == result.figures["loss_upper"]
    told = result.figures["soak"]
    assert told | {"intervals": 4, "valid": 4, "void": 0, "stretches": 1} == told
    assert told | {"missing_ns": 0, "wanted": None, "stopped_by": "time"} == told
    assert (stored.folder / "report.txt").read_text().startswith("PASS ")


def test_packets(tmp_path: Path) -> None:
    """It ends after so many packets, over stretches."""
    world = World()
    result, _ = night(
        tmp_path, world, packets=400, interval="1s", schedule=["3s silence 2s"]
    )
    assert result.figures["packets"]["offered"] == 400
    assert result.figures["soak"]["stopped_by"] == "packets"
    assert result.figures["soak"]["stretches"] == 2


def test_losses(tmp_path: Path) -> None:
    """It ends once so many packets are lost."""
    world = World()
    world.at(4.5, lambda: setattr(world, "lose", 5))
    world.at(9.5, lambda: setattr(world, "lose", 5))
    result, _ = night(tmp_path, world, losses=7, interval="1s")
    assert result.verdict == "FAIL"
    assert result.figures["packets"]["lost"] == 10
    assert result.figures["soak"]["stopped_by"] == "losses"
    assert result.figures["trial_ns"] < 14 * S


def test_wanted(tmp_path: Path) -> None:
    """It ends with the interval in which the wanted bound is reached."""
    world = World()
    result, stored = night(tmp_path, world, wanted="1e-2@0.99", interval="1s")
    needed = 459  # ln 0.01 / ln 0.99 = 458.2 packets
    offered = result.figures["packets"]["offered"]
    assert needed <= offered <= needed + 80
    before = sum(one["packets"]["offered"] for one in intervals(stored)[:-2])
    assert before < needed
    assert result.figures["soak"]["wanted"] == {
        "rate": 0.01,
        "confidence": 0.99,
        "packets": needed,
        "upper": pytest.approx(1 - 0.01 ** (1 / offered)),
        "reached": True,
    }
    assert result.figures["soak"]["stopped_by"] == "bound"


def test_bound_after_a_loss_is_less_sure(tmp_path: Path) -> None:
    """A bound that was looked at again and again after a loss says so."""
    world = World()
    world.at(3, lambda: setattr(world, "lose", 1))
    profile = profile_of("accept.loss=1 %")
    result, _ = night(
        tmp_path, world, profile=profile, wanted="1e-2", duration="20s", interval="1s"
    )
    assert any("less sure than it says" in note for note in result.figures["notes"])


@pytest.mark.parametrize("number", [2, 15, 1])
def test_signals(tmp_path: Path, number: int) -> None:
    """A signal ends it in order: the verdict is over what was sent."""
    world = World()
    world.at(6, lambda: setattr(world, "signal", number))
    result, stored = night(tmp_path, world, interval="1s")
    assert result.exit_code == 128 + number
    assert result.figures["soak"]["stopped_by"] == "signal"
    assert stored.verdict is not None
    totals = sum(one["packets"]["offered"] for one in intervals(stored))
    assert stored.verdict["packets"]["offered"] == totals


def test_signal_while_it_waits(tmp_path: Path) -> None:
    """Nobody who waits for a link, a pause or a silence holds up a signal."""
    for k, (setting, value) in enumerate([("away", "gone"), ("pausing", True)]):
        world = World()
        world.at(3, lambda w=world, s=setting, v=value: setattr(w, s, v))
        world.at(8, lambda w=world: setattr(w, "signal", 15))
        result, _ = night(tmp_path / str(k), world, duration="1h", interval="1s")
        assert result.figures["signal"] == "SIGTERM"
        assert world.clock.now_ns() < 20 * S
    world = World()
    world.at(8, lambda: setattr(world, "signal", 15))
    schedule = ["2s silence 1h"]
    result, _ = night(tmp_path / "2", world, interval="1s", schedule=schedule)
    assert world.clock.now_ns() < 20 * S


def test_pause(tmp_path: Path) -> None:
    """A pause is one record with its length; the line rests, and nothing is lost."""
    world = World()
    world.at(5, lambda: setattr(world, "pausing", True))
    world.at(25, lambda: setattr(world, "pausing", False))
    result, stored = night(tmp_path, world, duration="40s", interval="1s")
    (pause,) = events(stored)
    assert pause["event"] == "paused"
    assert 19 * S <= pause["lasted_ns"] <= 21 * S
    assert result.verdict == "PASS"
    assert 18 * S <= result.figures["trial_ns"] <= 21 * S
    assert result.figures["packets"]["lost"] == 0


def test_schedule(tmp_path: Path) -> None:
    """Changes happen at their instants on the line; the rest of the night goes on."""
    world = World()
    result, stored = night(
        tmp_path,
        world,
        duration="60s",
        interval="1s",
        schedule=[
            "20s command ./power-cycle 3",
            "5s traffic.frame_rate=5 Hz",
            "10s silence 4s",
            "16s traffic.frame_rate=10 Hz; traffic.pattern=ramp",
        ],
    )
    told = events(stored)
    assert [one["event"] for one in told] == [
        "changed",
        "silence",
        "changed",
        "command",
    ]
    assert [one["from_ns"] // S for one in told] == [5, 10, 16, 20]
    assert told[1]["to_ns"] - told[1]["from_ns"] == pytest.approx(4 * S, abs=S // 5)
    assert told[3]["text"].startswith("command ./power-cycle 3: temperature=21.5")
    assert world.ran == ["./power-cycle 3"]
    rates = {one["stretch"]: one["packets"]["offered"] for one in intervals(stored)[2:]}
    slow, fast = (rates[1], rates[2]), (rates[3], rates[4])
    assert max(slow) <= 24 < 32 <= min(fast)
    assert result.figures["packets"]["lost"] == 0
    began = events(stored, "stretch began")
    assert [one["sets"] for one in began][-1] == [
        "traffic.frame_rate=5 Hz",
        "traffic.frame_rate=10 Hz",
        "traffic.pattern=ramp",
    ]
    assert [one["seed"] for one in began] == [seed_of(1, k) for k in range(5)]
    assert began[0]["seed"] == 1
    assert result.figures["soak"]["missing_ns"] == 0


def test_command_fails(tmp_path: Path) -> None:
    """A command that fails is told with its code; the night goes on."""
    world = World()
    world.said = Said(7, "relay: no such board\nmore")
    result, stored = night(
        tmp_path, world, duration="10s", interval="1s", schedule=["4s command ./cycle"]
    )
    (failed,) = events(stored)
    assert failed["event"] == "command failed"
    assert failed["text"] == "command ./cycle: relay: no such board (exit code 7)"
    assert failed["code"] == 7
    assert result.verdict == "PASS"


def test_readings(tmp_path: Path) -> None:
    """What a command reads every minute stands in the interval that follows."""
    world = World()
    result, stored = night(
        tmp_path, world, duration="130s", interval="10s", reading="./probe"
    )
    assert world.ran == ["./probe"] * 3
    read = [one["readings"] for one in intervals(stored) if "readings" in one]
    assert read == [{"temperature": 21.5, "supply": 4.98, "state": "dry"}] * 3
    assert result.verdict == "PASS"


def test_reading_fails_once(tmp_path: Path) -> None:
    """A reading that fails is told once, and once when it is back."""
    world = World()
    world.said = Said(1, "probe: timed out")
    world.at(150, lambda: setattr(world, "said", Said(0, "21.5")))
    _, stored = night(
        tmp_path, world, duration="190s", interval="10s", reading="./probe"
    )
    assert [(one["event"], one["text"]) for one in events(stored)] == [
        ("reading failed", "./probe: probe: timed out"),
        ("reading back", "./probe"),
    ]


@pytest.mark.parametrize(
    ("text", "values"),
    [
        ("21.5\n", {"reading": 21.5}),
        ("a=1 b=x c=nan", {"a": 1.0, "b": "x", "c": "nan"}),
        ("=1 no words", {}),
        ("", {}),
        ("1e999", {}),
    ],
)
def test_values(text: str, values: Any) -> None:
    """Numbers are numbers, other words words, and nothing is made up."""
    assert values_of(text) == values


def test_simulated_changes_anything(tmp_path: Path) -> None:
    """On simulated nodes any value may change; the length is time on the line."""
    profile = profile_of()
    result = soak(
        profile,
        duration="10s",
        interval="1s",
        schedule=["4s bus.baud=2 Mbaud", "6s silence 2s"],
        logs=tmp_path,
    )
    stored = read_run(result.run)
    assert result.verdict == "PASS"
    assert result.figures["soak"]["stretches"] == 3
    assert intervals(stored)[-1]["to_ns"] == pytest.approx(10 * S, abs=S // 5)
    assert result.figures["packets"]["offered"] == 8 * 40


REFUSED: list[tuple[dict[str, Any], type[Exception], str]] = [
    ({"packets": 0}, UsageError, "no packets: 0"),
    ({"losses": 0}, UsageError, "no losses: 0"),
    ({"duration": 0}, UsageError, "no time: 0"),
    ({"interval": "0s"}, UsageError, "no time: 0s"),
    ({"wanted": "2"}, UsageError, "no bound: 2"),
    ({"schedule": ["5s bus.baud=1 Mbaud"]}, UsageError, "not to be changed on a link"),
    ({"schedule": ["5s traffic.pacing=timed"]}, UsageError, "not to be changed"),
    ({"schedule": ["5s traffic.dither=2"]}, ProfileError, "dither"),
    ({"schedule": ["5s traffic.frame_rate=9 kHz"]}, ProfileError, "frame"),
    ({"seed": -1}, UsageError, "out of range: -1"),
]


@pytest.mark.parametrize(("more", "error", "text"), REFUSED)
def test_refused(tmp_path: Path, more: Any, error: Any, text: str) -> None:
    """What cannot be obeyed, changes to come included, is refused before it begins."""
    world = World()
    with pytest.raises(error, match=text):
        night(tmp_path, world, **{"duration": "10s", **more})
    assert not list(tmp_path.iterdir())
    assert world.links == 0


def test_from_the_package() -> None:
    """It is one of the names of the package."""
    assert bench.soak is soak
