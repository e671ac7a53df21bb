"""The bench from Python: five lines that work, and what they leave behind."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

import bench
from bench.base.clock import JumpClock
from bench.ledger import read_run
from bench.trial.bare import OpenEnd, bare_profile
from bench.trial.rehearsal import aside

if TYPE_CHECKING:
    from pathlib import Path

    from bench import Progress, StreamResult


def stream(logs: Path, *overrides: str, **given: Any) -> StreamResult:
    """A stream to the shipped profile's nodes."""
    profile = bench.load_profile("causeway", overrides)
    return bench.stream(profile, logs=logs, **given)


# --- the package ----------------------------------------------------------------------


def test_five_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The example in the package's own words works, and says what it must."""
    monkeypatch.chdir(tmp_path)
    profile = bench.load_profile("causeway", ["output.clock=2 MHz"])
    result = bench.stream(profile, packets=100, seed=7)
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    assert result.reason == (
        "100 of 100 bursts had a wrong number of clocks: 1 clock too many"
    )
    assert result.run.parent.name == "logs"
    assert sorted(path.name for path in result.run.iterdir()) == [
        "anomalies.log",
        "intervals.log",
        "profile.toml",
        "report.txt",
        "run.json",
        "verdict.json",
    ]


def test_names() -> None:
    """Every name that is offered is there, and there are not too many."""
    assert len(bench.__all__) <= 30
    assert bench.__all__ == sorted(bench.__all__)
    assert dir(bench) == bench.__all__
    for name in bench.__all__:
        assert getattr(bench, name) is not None
    with pytest.raises(AttributeError, match="has no attribute 'strem'"):
        bench.strem  # noqa: B018


def test_import_is_light() -> None:
    """`import bench` loads nothing that has to be installed."""
    program = "import sys, bench; print(*sorted(sys.modules))"
    loaded = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "bench" in loaded
    heavy = {"numpy", "numba", "pydantic", "rich", "scipy", "quantiphy", "click"}
    assert not heavy & set(loaded)


# --- results --------------------------------------------------------------------------


def test_result_is_what_is_stored(tmp_path: Path) -> None:
    """The figures are strict JSON, and are those of the run's folder."""
    result = stream(tmp_path, packets=40, seed=3, dut={"serial": "0042"})
    assert json.loads(json.dumps(result.as_dict(), allow_nan=False)) == result.as_dict()
    run = read_run(result.run)
    assert run.verdict == result.as_dict()
    assert run.run["seed"] == result.seed == 3
    assert run.run["dut"]["serial"] == "0042"
    assert run.run["link"] == "simulated"
    assert run.run["packets"] == 40


def test_same_seed_same_figures(tmp_path: Path) -> None:
    """The same seed gives the same figures, whatever else the machine does."""
    results = [stream(tmp_path, duration="3s", seed=seed) for seed in (5, 5, 6)]
    first, second, other = (
        {k: v for k, v in result.figures.items() if k not in ("spent_ns", "seed")}
        for result in results
    )
    assert first == second
    assert first != other  # dither and foreign traffic are drawn, too


def test_durations(tmp_path: Path) -> None:
    """Text and nanoseconds mean the same; packets that begin before it count."""
    for duration in ("200 ms", 200_000_000):
        packets = stream(tmp_path, duration=duration).figures["packets"]
        assert packets["offered"] == 16  # 4 frames of 4


def test_jump_clock(tmp_path: Path) -> None:
    """With a clock that stands still there is no speed to be told, and no trouble."""
    result = stream(tmp_path, packets=8, clock=JumpClock())
    assert result.figures["spent_ns"] == 0
    assert "real time" not in (result.run / "report.txt").read_text()


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"packets": 0}, "no packets: 0, expected 1 or more @ packets"),
        ({"packets": -1}, "no packets: -1, expected 1 or more @ packets"),
        ({"duration": 0}, "no time: 0, expected more than 0 s @ duration"),
        ({"duration": "0 s"}, "no time: 0 s, expected more than 0 s @ duration"),
        ({"duration": -5}, "no time: -5, expected more than 0 s @ duration"),
        ({"seed": -1}, "out of range: -1, expected 0 to 18446744073709551615 @ seed"),
        ({"line": 256}, "out of range: 256, expected 0 to 255 @ line"),
        (
            {"line": 0, "packets": 4},
            "a line without packets has no number of them @ line",
        ),
        (
            {"dut": {"serail": "1"}},
            (
                "nothing of that name: serail, expected serial, revision, firmware, "
                "operator @ dut"
            ),
        ),
    ],
)
def test_what_cannot_be_obeyed(
    tmp_path: Path, given: dict[str, Any], message: str
) -> None:
    """A wrong argument is refused before anything is made."""
    with pytest.raises(bench.UsageError) as caught:
        stream(tmp_path, **given)
    assert str(caught.value) == message
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "override", ["output.method=timer", "traffic.frame_rate=30", "traffic.pattern=play"]
)
def test_what_cannot_be_carried_out(tmp_path: Path, override: str) -> None:
    """A profile that cannot be sent or simulated is refused before anything is made."""
    with pytest.raises(bench.ProfileError):
        stream(tmp_path, override)
    assert list(tmp_path.iterdir()) == []


def test_check_names_are_known() -> None:
    """A profile that names a check which means several is refused when it is loaded."""
    with pytest.raises(bench.ProfileError, match="CRC-16/KERMIT"):
        bench.load_profile("causeway", ["packet.fields.5.algorithm=CRC-16/CCITT"])


# --- lines ----------------------------------------------------------------------------


def test_line_over_a_link(tmp_path: Path) -> None:
    """A line over a link that sees nothing is void; the same with listeners passes."""
    profile = bare_profile(["bus.baud=1 Mbaud"])
    void = bench.stream(profile, line=0, duration="1ms", logs=tmp_path, link=OpenEnd())
    assert (void.verdict, void.exit_code) == ("VOID", 4)
    assert void.figures["line"]["characters"] == 100
    passed = stream(tmp_path, line=0xA5, duration="1ms")
    assert (passed.verdict, passed.exit_code) == ("PASS", 0)
    assert passed.figures["packets"]["stray"] == 0


def test_line_that_is_a_packet(tmp_path: Path) -> None:
    """A node that takes a line for packets and shows them fails the trial.

    Without a check, and with an address that is the marker, three such octets are one.
    """
    fields = [
        '{kind = "literal", octets = "55"}',
        '{kind = "address"}',
        '{kind = "payload", octets = 1}',
    ]
    overrides = [
        "output.lanes=1",
        "output.devices=1",
        "output.register_bits=8",
        "output.channel.bits=8",
        "output.latch_gap=1 us",
        "output.clock=4 MHz",
        "output.stop=count",
        "output.transfer_jitter=0 ns",
        "output.setup=0 ns",
        "output.longest_pause=1 us",
        "node.0.address=85",
        f"packet.fields=[{', '.join(fields)}]",
        "traffic.foreign.lengths=[1]",
        "packet.pad=FF",
        "traffic.foreign.share=0 %",
    ]
    result = stream(tmp_path, *overrides, line=0x55, duration="1ms")
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    assert result.figures["packets"]["stray"] > 0
    assert "showed what was not for the node" in result.reason


# --- watched and stopped --------------------------------------------------------------


class Ticking:
    """A clock on which every look takes a fifth of a second."""

    def __init__(self) -> None:
        self.ns = 0

    def now_ns(self) -> int:
        """See `Clock`."""
        self.ns += 200_000_000
        return self.ns

    def sleep(self, seconds: float) -> None:
        """See `Clock`."""
        self.ns += round(seconds * 1e9)


class Watching:
    """A watcher that keeps what it is told."""

    def __init__(self) -> None:
        self.folders: list[Path] = []
        self.told: list[Progress] = []

    def begun(self, folder: Path) -> None:
        """See `Watcher`."""
        self.folders.append(folder)

    def progress(self, progress: Progress) -> None:
        """See `Watcher`."""
        self.told.append(progress)


def test_watched(tmp_path: Path) -> None:
    """A watcher is told where the run is kept, and of progress that only grows."""
    watcher = Watching()
    result = stream(tmp_path, duration="10s", watcher=watcher, clock=Ticking())
    assert watcher.folders == [result.run]
    shares = [progress.share for progress in watcher.told]
    assert len(shares) > 3
    assert shares == sorted(shares)
    assert 0 < shares[0] < shares[-1] <= 1


class Pulled:
    """A request to stop that comes once it was asked for so many times."""

    def __init__(self, after: int) -> None:
        self.left = after

    def __call__(self) -> int | None:
        """The signal that came, or None."""
        self.left -= 1
        return None if self.left >= 0 else signal.SIGTERM


def test_stopped(tmp_path: Path) -> None:
    """A stopped stream is judged over what was sent, and its intervals add up."""
    result = stream(tmp_path, duration="10h", stop=Pulled(60))
    assert result.signal == signal.SIGTERM
    assert result.exit_code == 143
    assert result.verdict == "PASS"
    run = read_run(result.run)
    assert run.verdict is not None
    assert run.verdict["signal"] == "SIGTERM"
    offered = sum(record["packets"]["offered"] for record in run.intervals.records)
    assert offered == result.figures["packets"]["offered"] > 0


def test_stopped_before_it_began(tmp_path: Path) -> None:
    """A stream that is stopped before anything was sent says nothing, and says so."""
    result = stream(tmp_path, duration="10h", stop=Pulled(0))
    assert (result.verdict, result.exit_code) == ("VOID", 143)
    assert result.figures["trial_ns"] == 0
    assert (
        "stopped         by SIGTERM after 0 s of 10 h on the line"
        in (result.run / "report.txt").read_text()
    )


def test_aside() -> None:
    """Work is done, or left behind, or raises where it is waited for."""
    done = aside(lambda: 3, lambda: None)
    assert done is not None
    assert done.made == 3
    with pytest.raises(ZeroDivisionError):
        aside(lambda: 1 // 0, lambda: None)
