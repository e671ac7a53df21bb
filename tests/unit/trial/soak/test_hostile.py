"""Hostile nights: each thing is one record with its length, and never a false loss."""

from __future__ import annotations

import json
import shutil
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from unit.trial.soak.nights import START_NS, S, World, events, intervals, night

from bench.base.clock import JumpClock
from bench.base.errors import LedgerError, LinkError
from bench.trial.soak.host import Happened, Host, Load
from bench.trial.soak.records import utc

CASES = Path(__file__).parents[3] / "cases"


def nothing_lost(result: Any) -> None:
    """Every packet that is judged was shown."""
    packets = result.figures["packets"]
    assert packets["offered"] > 0
    assert packets["offered"] == packets["shown"]
    assert packets["lost"] == packets["corrupt"] == packets["stray"] == 0


def test_unplugged_and_back(tmp_path: Path) -> None:
    """An adapter that was away: one record with its length, a new stretch, no loss."""
    world = World()
    world.at(5.5, lambda: setattr(world, "away", "the port is gone"))
    world.at(12, lambda: setattr(world, "away", ""))
    result, stored = night(tmp_path, world, duration="24s", interval="1s")
    assert (result.verdict, result.exit_code) == ("PASS", 0)
    nothing_lost(result)
    (lost,) = events(stored)
    assert lost["event"] == "link lost"
    assert 6 * S <= lost["lasted_ns"] <= 8 * S
    assert lost["from_ns"] == lost["to_ns"]
    assert lost["text"].startswith("the port is gone: far end; it was back after ")
    void = [one for one in intervals(stored) if one["health"]["void"]]
    assert [one["health"]["void"] for one in void] == [["the link was lost"]]
    assert {one["stretch"] for one in intervals(stored)} == {0, 1}
    assert result.figures["soak"]["stretches"] == 2
    assert result.figures["lost"] is None


def test_dead_before_it_was_known_to_be_lost(tmp_path: Path) -> None:
    """Packets that went into a link that was dead already are nobody's loss."""
    world = World()
    world.at(8, lambda: setattr(world, "dead", True))
    world.at(11, lambda: setattr(world, "away", "peer not reading"))
    world.at(14, lambda: setattr(world, "dead", False))
    world.at(14, lambda: setattr(world, "away", ""))
    result, stored = night(tmp_path, world, duration="50s", interval="1s")
    assert result.verdict == "PASS"
    nothing_lost(result)
    void = [one for one in intervals(stored) if one["health"]["void"]]
    assert 3 <= len(void) <= 4
    assert all(one["to_ns"] > 8 * S for one in void)
    assert result.figures["not_judged"]["packets"]["lost"] > 0


def test_one_dead_node_is_no_dead_link(tmp_path: Path) -> None:
    """A node that shows nothing while others do has lost its packets: a failure."""
    world = World()
    world.at(6, lambda: setattr(world, "mute", 2))
    world.at(18, lambda: setattr(world, "away", "the port is gone"))
    result, stored = night(tmp_path, world, duration="20s", interval="1s")
    assert result.verdict == "FAIL"
    assert result.reason.startswith("flood-gate is wedged")
    packets = result.figures["nodes"][2]["packets"]
    assert packets["lost"] > 80
    assert sum(one["packets"]["lost"] for one in intervals(stored)) > 80


def test_never_back(tmp_path: Path) -> None:
    """A link that stays away: the night ends when it was to, with the link's code."""
    world = World()
    world.at(14, lambda: setattr(world, "away", "the port is gone"))
    result, stored = night(tmp_path, world, duration="30s", interval="1s")
    assert result.exit_code == 3
    assert result.figures["lost"].startswith("the port is gone")
    assert result.verdict == "PASS"
    (lost,) = events(stored)
    assert 15 * S <= lost["lasted_ns"] <= 17 * S
    assert world.clock.now_ns() < 40 * S


def test_not_waited_for_any_longer(tmp_path: Path) -> None:
    """A link is waited for as long as somebody says."""
    world = World()
    world.at(4, lambda: setattr(world, "away", "the port is gone"))
    result, _ = night(tmp_path, world, duration="1h", interval="1s", away="10s")
    assert result.exit_code == 3
    assert world.clock.now_ns() < 30 * S


def test_never_there(tmp_path: Path) -> None:
    """A link that could not be had to begin with is told at once."""
    world = World()
    world.away = "no such port"
    with pytest.raises(LinkError, match="no such port"):
        night(tmp_path, world, duration="1h")


def test_asleep(tmp_path: Path) -> None:
    """Awake and total time are kept apart; the interval is void, and nothing is lost.

    A laptop that slept for three hours, with the packets on their way gone.
    """
    world = World()

    def sleep() -> None:
        world.asleep_ns += 3 * 3600 * S
        world.lose = 6

    world.at(7.5, sleep)
    result, stored = night(tmp_path, world, duration=10_830 * S, interval="1s")
    assert result.verdict == "PASS"
    nothing_lost(result)
    (asleep,) = events(stored)
    assert asleep["event"] == "host asleep"
    assert asleep["lasted_ns"] == 3 * 3600 * S
    assert asleep["total_ns"] - asleep["awake_ns"] == 3 * 3600 * S
    last = intervals(stored)[-1]
    assert last["total_ns"] - last["awake_ns"] == 3 * 3600 * S
    assert last["awake_ns"] < 31 * S
    void = [one for one in intervals(stored) if one["health"]["void"]]
    assert 1 <= len(void) <= 2
    assert void[0]["health"]["void"] == ["the host was asleep for 3 h"]
    assert sum(one["packets"]["lost"] for one in void) == 6


def test_asleep_without_a_clock_for_it(tmp_path: Path) -> None:
    """Where no clock tells sleep from a set clock, both are said; the worse holds."""
    world = World(boot_clock=False)
    world.at(5, lambda: setattr(world, "set_ns", 600 * S))
    world.at(9, lambda: setattr(world, "set_ns", 0))
    result, stored = night(tmp_path, world, duration="20s", interval="1s")
    nothing_lost(result)
    forward, back = events(stored)
    assert (forward["lasted_ns"], back["lasted_ns"]) == (600 * S, -600 * S)
    assert forward["text"].endswith(
        "or the host was asleep: nothing here tells them apart"
    )
    assert forward["total_ns"] is None
    void = [one for one in intervals(stored) if one["health"]["void"]]
    assert len(void) == 1


def test_clock_steps(tmp_path: Path) -> None:
    """A clock that is set, by time servers or by law, changes labels and no figure."""
    world = World()
    world.at(5, lambda: setattr(world, "set_ns", -3600 * S))
    world.at(15, lambda: setattr(world, "set_ns", round(0.25 * S)))
    result, stored = night(tmp_path, world, duration="25s", interval="1s")
    assert result.verdict == "PASS"
    nothing_lost(result)
    assert result.figures["soak"]["valid"] == result.figures["soak"]["intervals"]
    steps = events(stored, "clock stepped")
    assert [one["lasted_ns"] for one in steps] == [-3600 * S, 3600 * S + S // 4]
    rows = intervals(stored)
    assert all(a["to_ns"] == b["from_ns"] for a, b in pairwise(rows))
    assert all(a["awake_ns"] <= b["awake_ns"] for a, b in pairwise(rows))
    assert all(one["at"].endswith("Z") for one in rows)


class Stamps:
    """The clocks of a log that somebody else wrote."""

    def __init__(self, rows: list[dict[str, Any]]) -> None:
        self.clock = JumpClock(rows[0]["mono_ns"])
        self.row = rows[0]

    def wall_ns(self) -> int:
        """See `System`."""
        at = datetime.fromisoformat(self.row["wall"])
        return round(at.timestamp() * 1000) * 1_000_000

    def total_ns(self) -> int | None:
        """See `System`."""
        return self.clock.now_ns()

    def load(self) -> Load:
        """See `System`."""
        return Load()

    def free_octets(self, folder: Path) -> int | None:  # noqa: ARG002
        """See `System`."""
        return None


def test_clock_set_back_in_the_night() -> None:
    """Two steps of a known log; 600 s and 100 packets a second by the other clock.

    Reported in public threads of general-purpose software: rates and durations taken
    from wall time go negative, though start to end alone looks right.
    """
    lines = (CASES / "A13_clock_step.jsonl").read_text().splitlines()
    rows = [json.loads(line) for line in lines]
    told: list[tuple[int, Happened]] = []
    stamps = Stamps(rows)
    number = 0
    host = Host(
        stamps.clock, stamps, lambda what: told.append((number, what)), hurried=False
    )
    rates = []
    for row, after in pairwise(rows):
        stamps.clock.advance(after["mono_ns"] - row["mono_ns"])
        stamps.row, number = after, after["seq"]
        host.look()
        lasted_ns = after["mono_ns"] - row["mono_ns"]
        rates.append((after["tx_packets"] - row["tx_packets"]) * S / lasted_ns)
    assert [(at, what.event, what.lasted_ns) for at, what in told] == [
        (12, "clock stepped", -3600 * S),
        (24, "clock stepped", 3600 * S + S // 4),
    ]
    assert host.since_ns() == (600 * S, 600 * S)
    assert rates == [100.0] * 30


def test_labels_are_utc() -> None:
    """The hour that a law repeats is no hour of UTC."""
    assert utc(START_NS) == "2026-11-06T21:20:00Z"
    assert utc(START_NS + 3600 * S) == "2026-11-06T22:20:00Z"


def test_busy_host(tmp_path: Path) -> None:
    """A queue that ran dry voids its interval; losses in others still count."""
    world = World()
    world.at(4.5, lambda: setattr(world, "dry", 2))
    world.at(4.5, lambda: setattr(world, "lose", 3))
    world.at(15.5, lambda: setattr(world, "lose", 1))
    result, stored = night(tmp_path, world, duration="20s", interval="1s")
    assert result.verdict == "FAIL"
    assert result.figures["packets"]["lost"] == 1
    assert result.figures["not_judged"]["packets"]["lost"] == 3
    (void,) = [one for one in intervals(stored) if one["health"]["void"]]
    assert void["health"]["void"] == ["the queue of the link ran dry 2 times"]
    assert void["health"]["queue_dry"] == 2
    assert result.reason.startswith("1 of ")


def test_too_busy_host(tmp_path: Path) -> None:
    """With too few valid intervals there is no pass: the night says nothing."""
    world = World()
    for second in range(3, 9):
        world.at(second + 0.5, lambda: setattr(world, "dry", world.dry + 1))
    result, _ = night(tmp_path, world, duration="20s", interval="1s")
    assert (result.verdict, result.exit_code) == ("VOID", 4)
    assert result.reason.endswith("intervals are valid, 90 % are needed")


def test_disk_full(tmp_path: Path) -> None:
    """Records wait until there is room: one event, and not one record is missing."""
    world = World()
    world.at(5, lambda: setattr(world, "free", 1000))
    world.at(12, lambda: setattr(world, "free", 1 << 40))
    result, stored = night(tmp_path, world, duration="20s", interval="1s")
    assert (result.verdict, result.exit_code) == ("PASS", 0)
    (full,) = events(stored)
    assert full["event"] == "disk full"
    assert 6 * S <= full["lasted_ns"] <= 8 * S
    rows = intervals(stored)
    assert [one["number"] for one in rows] == list(range(len(rows)))
    assert result.figures["soak"]["intervals"] == len(rows)


@pytest.mark.parametrize("on_failure", ["stop", "continue"])
def test_log_folder_gone(tmp_path: Path, on_failure: Any) -> None:
    """A folder that somebody deleted is told once; what was judged is still known."""
    world = World()

    def gone() -> None:
        (folder,) = tmp_path.iterdir()
        shutil.rmtree(folder)

    world.at(5, gone)
    world.at(12, lambda: setattr(world, "signal", 15))
    if on_failure == "stop":
        with pytest.raises(LedgerError, match="log stopped at record"):
            night(tmp_path, world, duration="1h", interval="1s")
        return
    with pytest.raises(LedgerError, match="not the folder of a run") as raised:
        night(
            tmp_path,
            world,
            duration="1h",
            interval="1s",
            on_log_failure=on_failure,
            watcher=(keeping := Keeping()),
        )
    del raised
    ended = keeping.shown[-1]
    assert ended["state"] == "ended"
    assert ended["packets"]["offered"] > 400
    (gone_once,) = [e for e in ended["events"] if e["event"] == "log folder gone"]
    assert "log stopped at record" in gone_once["text"]


class Keeping:
    """Keeps what it is shown."""

    def __init__(self) -> None:
        self.shown: list[Any] = []

    def begun(self, folder: Path) -> None:
        """See `Watcher`."""

    def progress(self, progress: Any) -> None:
        """See `Watcher`."""

    def show(self, told: Any) -> None:
        """How the night stands."""
        self.shown.append(told)


def test_held_up(tmp_path: Path) -> None:
    """A bench that nobody let run is told of, with how long."""
    world = World()
    world.at(5, lambda: world.clock.advance(40 * S))
    result, stored = night(tmp_path, world, duration="60s", interval="1s")
    (held,) = events(stored)
    assert held["event"] == "held up"
    assert 40 * S <= held["lasted_ns"] <= 41 * S
    nothing_lost(result)
