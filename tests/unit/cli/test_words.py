"""What is told when something is wrong: whole messages, one line a fault."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call

from bench import api
from bench.base.errors import Fault, LinkError

if TYPE_CHECKING:
    from pathlib import Path

PACKETS = "a whole number, 1 to 4611686018427387904 @ --packets"
SEEDS = "a whole number, 0 to 18446744073709551615 @ --seed"

WRONG = [
    # the command line itself
    (
        ["strem"],
        (
            "no such command: strem, expected accept, budget, check, compare, "
            "completion, drive, edge, fuzz, header, listen, patterns, ports, qualify, "
            "replay, report, runs, schema, serve, sheet, soak, stream, sweep, upset, "
            "vectors, zoo (did you mean stream?)"
        ),
    ),
    (["stream", "--sed", "1"], "no such option: --sed (did you mean --seed?)"),
    (["check"], "missing argument: PROFILE (see nightbench check --help)"),
    (
        ["stream"],
        "missing argument: PROFILE (only a line without packets does without: --line)",
    ),
    (
        ["check", "causeway", "jetty"],
        "got unexpected extra argument (jetty) (see nightbench check --help)",
    ),
    (
        ["stream", "causeway", "--on-log-failure", "wait"],
        (
            "'wait' is not one of 'stop', 'continue' @ --on-log-failure "
            "(see nightbench stream --help)"
        ),
    ),
    # how long
    (
        ["stream", "causeway", "--for", "0s"],
        "no time: 0s, expected more than 0 s @ --for",
    ),
    (
        ["stream", "causeway", "--for", "-1s"],
        "out of range: -1s, expected 0 ns to 1000000000 s @ --for",
    ),
    (
        ["stream", "causeway", "--for", "5"],
        (
            "no unit: 5, expected a duration @ --for (write it with a unit, e.g. "
            "'12.5 us')"
        ),
    ),
    (
        ["stream", "causeway", "--for", "5 msec"],
        (
            "unknown unit: 5 msec, expected a duration in ps, ns, us, ms, s, min, h, d "
            "@ --for (did you mean 5 ms?)"
        ),
    ),
    (
        ["stream", "causeway", "--packets", "0"],
        f"out of range: 0, expected {PACKETS}",
    ),
    (
        ["stream", "causeway", "--packets", "-3"],
        f"out of range: -3, expected {PACKETS}",
    ),
    (
        ["stream", "causeway", "--packets", "1e3"],
        f"not a number: 1e3, expected {PACKETS}",
    ),
    # other options
    (["stream", "causeway", "--seed", "-1"], f"out of range: -1, expected {SEEDS}"),
    (
        ["stream", "causeway", "--line", "55"],
        "not an octet: 55, expected an octet such as 55h, 00h or FFh @ --line",
    ),
    (
        ["stream", "causeway", "--line", "55h", "--packets", "5"],
        "a line without packets has no number of them: --packets",
    ),
    (
        ["stream", "causeway", "--line", "55h", "--play", "x"],
        "a line without packets plays nothing: --play",
    ),
    (["stream", "--line", "55h"], "no baud rate, expected bus.baud=… @ --set"),
    (
        ["stream", "--line", "55h", "--set", "output.clock=1 MHz"],
        (
            "nothing but the bus can be set without a profile: output.clock=1 MHz, "
            "expected bus.… @ --set"
        ),
    ),
    (
        ["stream", "causeway", "--dut", "serail=7"],
        (
            "not a fact of the device: serail=7, expected serial=… or revision=… or "
            "operator=… @ --dut"
        ),
    ),
    (
        ["stream", "causeway", "--dut", "serial="],
        (
            "not a fact of the device: serial=, expected serial=… or revision=… or "
            "operator=… @ --dut"
        ),
    ),
    (
        ["stream", "causeway", "--firmware", "none.hex"],
        "cannot read the file (no such file or directory): none.hex @ --firmware",
    ),
    (
        ["stream", "causeway", "--play", "none.npy"],
        "cannot read the file (no such file or directory): none.npy @ --play",
    ),
    # the profile
    (
        ["check", "causway"],
        (
            "unknown profile: causway, expected causeway, dmx512, jetty, modbus-rtu "
            "or slipway, or a path to a .toml file (did you mean causeway?)"
        ),
    ),
    (
        ["check", "none/at.toml"],
        "cannot read the profile (no such file or directory) @ none/at.toml",
    ),
    (
        ["check", "causeway", "--set", "output.clok=2 MHz"],
        (
            "causeway: unknown path: output.clok @ --set output.clok "
            "(did you mean output.clock?)"
        ),
    ),
    (
        ["check", "causeway", "--set", "output.clock"],
        (
            "causeway: not an override: output.clock, expected a dotted path, = and a "
            "value @ --set"
        ),
    ),
    (
        ["stream", "causeway", "--set", "bus.direction=half"],
        "causeway: not simulated yet: half, expected simplex @ bus.direction",
    ),
    (
        ["stream", "causeway", "--set", "traffic.frame_rate=30"],
        (
            "causeway: own packets do not fit: 30 frames/s, 115.4 % of the line, "
            "expected at most 25.99 frames/s @ traffic.frame_rate"
        ),
    ),
    (
        ["check", "causeway", "--set", "traffic.pattern=rmap"],
        (
            "causeway: unknown pattern: rmap, expected one of random, ramp, "
            "walking-one, checkerboard, constant-XX, worst-stuffing, prbs9, prbs15, "
            "prbs23, prbs31, play, or channels as in `lane 0, device 0, dim` "
            "@ traffic.pattern (did you mean ramp?)"
        ),
    ),
    # the ledger
    (
        ["stream", "causeway", "--logs", "/dev/null/logs"],
        "ledger cannot be begun: Not a directory @ /dev/null/logs",
    ),
]


@pytest.mark.parametrize(("words", "message"), WRONG)
def test_told_in_one_line(words: list[str], message: str) -> None:
    """What a user can mend is one whole line on standard error, and no traceback."""
    result = call(*words)
    assert result.stderr == f"nightbench: {message}\n"
    assert result.stdout == ""
    assert result.exit_code == (5 if "--logs" in words else 2)


def test_several_faults(tmp_path: Path) -> None:
    """Every fault of a profile has its line; the file is named once, at the first."""
    file = tmp_path / "half.toml"
    assert call("check", "causeway").exit_code == 0
    from bench.profile import load_profile, to_toml

    text = to_toml(load_profile("causeway"))
    text = text.replace('baud = "4 Mbaud"', 'baud = "4 mbaud"')
    text = text.replace("data_bits = 8", "data_bits = 10")
    file.write_text(text)
    result = call("check", str(file))
    assert result.exit_code == 2
    first, second, *rest = result.stderr.splitlines()
    assert first == (
        f"nightbench: {file}: prefix or unit in the wrong case: 4 mbaud, expected a "
        "baud rate in baud, kbaud, Mbaud, Bd, kBd, MBd @ bus.baud "
        "(did you mean 4 Mbaud?)"
    )
    assert second == (
        "nightbench:   out of range: 10, expected an integer, 5 to 9 @ bus.data_bits"
    )
    assert rest == []


# --- kinds that only some links or nobody can raise -----------------------------------


class _Raising:
    """Something in the place of a trial."""

    def __init__(self, error: Exception) -> None:
        self.error = error

    def __call__(self, *_: Any, **__: Any) -> Any:
        raise self.error


def test_link_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A lost link is told in a line, exits 3, and leaves a ledger without verdict."""
    lost = LinkError(Fault("link lost", "after 12 octets", where="simulated"))
    monkeypatch.setattr(api, "run", _Raising(lost))
    result = call("stream", "causeway", "--logs", str(tmp_path))
    assert result.exit_code == 3
    assert result.stderr == "nightbench: link lost: after 12 octets @ simulated\n"
    (run,) = tmp_path.iterdir()
    assert not (run / "verdict.json").exists()
    report = (run / "report.txt").read_text()
    assert report == "no verdict\nlink lost: after 12 octets @ simulated\n"


def test_bug(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody foresaw is called a bug in one line; its traceback is in the run."""
    monkeypatch.delenv("NIGHTBENCH_TRACEBACK", raising=False)
    monkeypatch.setattr(api, "run", _Raising(ZeroDivisionError("by\nzero")))
    result = call("stream", "causeway", "--logs", str(tmp_path))
    assert result.exit_code == 70
    (run,) = tmp_path.iterdir()
    assert result.stderr == (
        "nightbench: a bug of the bench: ZeroDivisionError: by zero; "
        f"its traceback is in {run / 'report.txt'}\n"
    )
    report = (run / "report.txt").read_text()
    assert report.startswith("no verdict\na bug of the bench\nTraceback")
    assert "ZeroDivisionError: by\nzero" in report


def test_bug_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Asked for, the traceback is shown as well."""
    monkeypatch.setenv("NIGHTBENCH_TRACEBACK", "1")
    monkeypatch.setattr(api, "run", _Raising(ZeroDivisionError("by zero")))
    result = call("stream", "causeway", "--logs", str(tmp_path))
    assert result.exit_code == 70
    assert result.stderr.count("\n") > 3
    assert result.stderr.endswith("ZeroDivisionError: by zero\n")


def test_bug_before_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a run to keep it in, the traceback follows: nothing is lost."""
    monkeypatch.delenv("NIGHTBENCH_TRACEBACK", raising=False)
    monkeypatch.setattr(api, "load_profile", _Raising(ZeroDivisionError("by zero")))
    result = call("check", "causeway")
    assert result.exit_code == 70
    assert result.stderr.startswith(
        "nightbench: a bug of the bench: ZeroDivisionError: by zero; its traceback "
        "follows\nTraceback"
    )
