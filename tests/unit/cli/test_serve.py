"""The serve command: what it refuses, what its help lists, what its page says."""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from unit.cli.calls import call

from bench.cli.serve import stream_command
from bench.report.serve import RATE_NS, Rates, standing_line, standing_page
from bench.trial.serve.named import DEFECTS
from bench.trial.serve.served import Figures, NodeCounts

if TYPE_CHECKING:
    from pathlib import Path

SECOND = 1_000_000_000


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["causeway", "--pty", "x", "--tcp", "0"],
            "a pty or a TCP port, not both @ --pty, --tcp",
        ),
        (
            ["causeway", "--host", "0.0.0.0"],
            "an address without a port: 0.0.0.0, expected --tcp PORT @ --host",
        ),
        (
            ["causeway", "--fault", "drops"],
            (
                "no such fault: drops, expected deaf, miss, mishear, no-check, "
                "foreign, drop, repeat, wrong-bit, extra-clock, wedge, reset, "
                "late-lines @ --fault (did you mean drop?)"
            ),
        ),
        (
            ["causeway", "--tcp", "65536"],
            "out of range: 65536, expected a whole number, 0 to 65535 @ --tcp",
        ),
        (
            ["dmx512"],
            (
                "dmx512: no pty or TCP port carries more than octets: break, "
                "expected a framing without breaks and ninth bits @ packet.framing"
            ),
        ),
    ],
)
def test_what_it_refuses(words: list[str], told: str) -> None:
    """One line, exit code 2, and nothing is opened."""
    result = call("serve", *words, "--for", "1ms")
    assert (result.exit_code, result.stderr) == (2, f"nightbench: {told}\n")
    assert result.stdout == ""


def test_something_else_stands_at_the_path(tmp_path: Path) -> None:
    """It is not replaced."""
    path = tmp_path / "bus"
    path.write_text("mine", "utf-8")
    result = call("serve", "causeway", "--pty", str(path), "--for", "1ms")
    assert result.exit_code == 2
    assert result.stderr.startswith(f"nightbench: no link can stand here: {path}")
    assert path.read_text("utf-8") == "mine"


def test_help_lists_every_fault() -> None:
    """Each by its name and the value that it takes."""
    text = call("serve", "--help").stdout
    for one in DEFECTS:
        assert f"  {one.written} " in text


def test_a_short_life() -> None:
    """Ended by itself: code 0, how to reach it first, and what it came to."""
    result = call("serve", "causeway", "--tcp", "0", "--for", "30ms", "--seed", "4")
    assert result.exit_code == 0, result.stderr
    lines = result.stdout.splitlines()
    assert lines[0] == "serving           causeway: 4 nodes at 4 Mbaud, seed 4"
    port = lines[1].split()[-1]
    assert port.startswith("socket://127.0.0.1:")
    assert lines[2].endswith(
        "  nightbench stream causeway --set observe.by=lines "
        f"--allow-bright --allow-flashing --link {port}"
    )
    assert "nothing is lit here" in lines[3]
    assert "nobody came" in lines[4]


def test_one_json_object() -> None:
    """On standard output nothing else; how to reach it is on standard error."""
    words = ["jetty", "--set", "bus.baud=0.5 Mbaud", "--fault", "drop=7", "--silent"]
    result = call("serve", *words, "--tcp", "0", "--for", "30ms", "--json")
    assert result.exit_code == 0, result.stderr
    said = json.loads(result.stdout)
    assert said["profile"] == "jetty"
    assert said["point"] == {"bus.baud": "0.5 Mbaud"}
    assert said["faults"] == ["drop=7"]
    assert said["visitors"] == said["characters"] == 0
    assert said["idle_share"] is None
    assert said["signal"] is None
    assert said["exit_code"] == 0
    assert said["reach_it_by"][:4] == ["nightbench", "stream", "jetty", "--set"]
    assert "observe.by=lines" not in said["reach_it_by"]
    assert "reach it by" in result.stderr


def test_the_command_that_reaches_it() -> None:
    """The same profile and overrides, the lines observed, the port."""
    words = stream_command(["my.toml", "bus.baud=2 Mbaud"], "/dev/pts/7", silent=False)
    assert words == [
        *("nightbench", "stream", "my.toml", "--set", "bus.baud=2 Mbaud"),
        *("--set", "observe.by=lines", "--allow-bright", "--allow-flashing"),
        *("--link", "/dev/pts/7"),
    ]


# --- the page -------------------------------------------------------------------------


def figures(seconds: float, shown: int, dropped: int = 0) -> Figures:
    """Two nodes after so long, the second one silent."""
    reasons: Counter[str] = Counter({"bad-check": dropped} if dropped else {})
    return Figures(
        round(seconds * SECOND),
        400_000 * round(seconds),
        round(seconds * SECOND) // 4,
        3,
        1_500_000,
        {"ebb": NodeCounts(shown, reasons, 12), "flood-gate": NodeCounts()},
        resets=2,
        not_told=5,
    )


def test_the_page_says_everything() -> None:
    """Wire, nodes, reasons, resets and lines that were not told; by hand."""
    rates = Rates()
    rates.of(figures(10, 200))
    page = standing_page(
        figures(12, 240, 7),
        about=[("now", "visitor 1")],
        rates=rates.of(figures(12, 240)),
    )
    assert page.plain().splitlines() == [
        "now               visitor 1",
        "wire              4 800 000 characters, 400 000 a second, idle 25 %,",
        "                  3 gaps between characters, the longest 1.5 ms",
        "",
        "packets             a second   shown   dropped   lost",
        "  ebb                   20.0     240         7     12",
        "  flood-gate             0.0       0         0      0",
        "",
        "dropped           7 bad-check",
        "begun anew        2 times",
        "not told          5 sighting lines that nobody took in time",
    ]


def test_the_line_says_the_most() -> None:
    """What a pipe gets now and then."""
    assert standing_line(figures(12, 240, 7)) == (
        "12 s since the first character, 240 packets shown, 7 dropped, "
        "12 characters lost, wire idle 25 %"
    )


def test_rates_are_of_the_last_two_seconds() -> None:
    """What was long ago does not count; before any time there is no rate."""
    rates = Rates()
    assert rates.of(figures(0, 0)) == (None, [None, None])
    for second in range(1, 60):
        rates.of(figures(second, 0))
    _, nodes = rates.of(figures(60, 100))
    assert RATE_NS == 2 * SECOND
    assert nodes == [50.0, 0.0]


def test_of_many_nodes_the_bad_ones_are_listed() -> None:
    """Twelve rows at most; one that lost something is among them."""
    nodes = {f"node-{k}": NodeCounts(shown=k) for k in range(40)}
    nodes["node-39"].lost = 1
    many = Figures(SECOND, 1, 0, 0, 0, nodes, 0, 0)
    text = standing_page(many).plain()
    assert "node-39" in text
    assert "and 28 nodes more" in text
