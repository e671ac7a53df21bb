"""The edge command: what it finds, its codes, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call
from unit.cli.test_stream import strictly

from bench.ledger import read_run

if TYPE_CHECKING:
    from pathlib import Path

CLOCK = ("causeway", "--vary", "output.clock", "--from", "250 kHz", "--to")
QUICK = ("--to-within", "10%", "--repeat", "1", "--for", "1s", "--seed", "7")


def edge(logs: Path, *words: str, code: int = 0) -> dict[str, Any]:
    """The object that a search prints, once its exit code has been looked at."""
    result = call("edge", *words, "--json", "--logs", str(logs))
    assert result.exit_code == code, result.stderr
    return strictly(result.stdout)


def test_the_extra_clock(tmp_path: Path) -> None:
    """The causeway's clock: good to the margin, one clock too many past 1.19 MHz."""
    said = edge(tmp_path, *CLOCK, "2 MHz", *QUICK)
    assert said["verdict"] == "PASS"
    assert said["cause"] == "1 clock too many"
    assert 250_000 < said["last_good"] < 1_137_000
    assert 1_190_000 < said["first_bad"] < 1_320_000
    assert said["unit"] == "Hz"
    (folder,) = tmp_path.iterdir()
    assert folder.name.endswith("-edge")
    wanted = ["nightbench", "edge", *CLOCK, "2 MHz", *QUICK]
    assert read_run(folder).run["command"] == wanted


def test_page(tmp_path: Path) -> None:
    """The edge first, in one sentence; piped, nothing but text."""
    result = call("edge", *CLOCK, "2 MHz", *QUICK, "--logs", str(tmp_path))
    assert result.stdout.startswith("PASS")
    assert "1 clock too many" in result.stdout
    assert "\x1b" not in result.stdout
    brief = call("edge", *CLOCK, "2 MHz", *QUICK, "--quiet", "--logs", str(tmp_path))
    assert len(brief.stdout.splitlines()) < 8


def test_no_change(tmp_path: Path) -> None:
    """A line on standard error with what to try, and the JSON object all the same."""
    words = (*CLOCK, "500 kHz", *QUICK, "--logs", str(tmp_path))
    result = call("edge", *words, "--json")
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "no change: 250 kHz .. 500 kHz" in line
    assert "neither end fails: move the end that should fail further out" in line
    assert strictly(result.stdout)["first_bad"] is None


def test_help_lists_the_methods() -> None:
    """Each in our words, with the RFC's section and words."""
    text = " ".join(call("edge", "--help").stdout.split())
    for name in ("throughput", "loss-steps", "recovery", "reset"):
        assert name in text
    assert "RFC 2544, section 26.3 frame loss rate" in text


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("causeway",), "nothing is varied"),
        ((*CLOCK, "250 kHz"), "empty range: 250 kHz .. 250 kHz"),
        ((*CLOCK, "2 Mbaud"), "values of two kinds: 2 Mbaud"),
        ((*CLOCK, "2 MHz", "--to-within", "near"), "not a resolution: near"),
        (("causeway", "--vary", "output.clok"), "did you mean output.clock?"),
        (("causeway", "--vary", "output.clock"), "an end is missing"),
        (("causeway", "--method", "speed"), "no such method: speed"),
        ((*CLOCK, "2 MHz", "--repeat", "0"), "out of range: 0"),
        ((*CLOCK, "2 MHz", "--link", "/dev/ttyNONE0"), "--allow-failing"),
    ],
)
def test_bad_input(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    """One line that says what is wrong, exit code 2, and nothing begun."""
    logs = tmp_path / "logs"
    result = call("edge", *words, "--logs", str(logs))
    assert result.exit_code == 2, result.stderr
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert not logs.exists()
