"""The page of a finished trial, made from what a ledger holds."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import bench
from bench.report.summary import brief, summary, typed
from bench.trial.bare import OpenEnd

if TYPE_CHECKING:
    Stored = tuple[dict[str, Any], dict[str, Any]]


def stored(logs: Path, *overrides: str, **given: Any) -> Stored:
    """What `verdict.json` and `run.json` of a stream hold."""
    profile = bench.load_profile("causeway", overrides)
    run = bench.stream(profile, seed=7, logs=logs, **given).run
    verdict, facts = (
        json.loads((run / name).read_text()) for name in ("verdict.json", "run.json")
    )
    return verdict, facts


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> Stored:
    """A stream that passes."""
    return stored(tmp_path_factory.mktemp("passed"), packets=40)


@pytest.fixture(scope="module")
def failed(tmp_path_factory: pytest.TempPathFactory) -> Stored:
    """A stream whose bursts have a clock too many."""
    logs = tmp_path_factory.mktemp("failed")
    return stored(logs, "output.clock=2 MHz", packets=40)


@pytest.fixture
def passed_again(passed: Stored) -> Stored:
    """The stream that passes, to be changed."""
    return copy.deepcopy(passed)


def test_verdict_comes_first(passed: Stored, failed: Stored) -> None:
    """The first word is the verdict, with its sentence beside it."""
    for (verdict, run), word in ((passed, "PASS"), (failed, "FAIL")):
        page = summary(verdict, run).plain()
        assert page.startswith(f"{word}            40 of 40 ")


def test_made_from_the_ledger(passed: Stored) -> None:
    """The page made from the files is the report that was kept."""
    verdict, run = passed
    report = Path(verdict["run"]) / "report.txt"
    assert summary(verdict, run).plain() == report.read_text()


@pytest.mark.parametrize("width", [40, 80, 100])
def test_nothing_is_wider(failed: Stored, width: int) -> None:
    """But for tables, and for what is to be copied, lines keep to the width."""
    for line in summary(*failed, width=width).plain().splitlines():
        fixed = line.startswith(("ledger", "again", "packets", "  "))
        assert fixed or len(line) <= width


def test_strip(failed: Stored, passed: Stored) -> None:
    """Wrong clocks are drawn; right ones are not."""
    page = summary(*failed).plain()
    assert "clocks          of the first wrong burst, slack-water at " in page
    assert "⋯ ╷╷╷╷╷╷╷╷╷╷╷╷┃  3841  1 too many" in page
    assert "expected" not in summary(*passed).plain()


def test_causes(failed: Stored) -> None:
    """Causes come with how often and where first, the zeroth frame included."""
    text = " ".join(summary(*failed).plain().split())
    assert (
        "causes 40 corrupt: 1 clock too many: data shifted by one bit (first at "
        "slack-water, 11.277 ms, packet 0 of frame 0)"
    ) in text


def test_faults_are_marked(failed: Stored, passed: Stored) -> None:
    """A count that is a fault has a sign, not only a colour."""
    assert "     40◂" in summary(*failed).plain()
    assert "◂" not in summary(*passed).plain()


def test_how_sure(passed: Stored, failed: Stored) -> None:
    """Without a loss: what a smaller bound takes.  With one: its rate and bound."""
    text = " ".join(summary(*passed).plain().split())
    # success-run theorem: ln 0.05 / ln(1 - 1e-4) = 29 955.2
    assert "the bound falls to 1e-4 after 29 956 (6 min 12 s), to 1e-5" in text
    assert "loss rate" not in text
    text = " ".join(summary(*failed).plain().split())
    assert "loss rate 1, at most 1 at 95 % confidence, if packets are lost ind" in text
    assert "how sure" not in text


def test_not_observable_is_not_zero(tmp_path: Path) -> None:
    """A link that sees nothing makes a page without a single count of what it saw."""
    verdict, run = stored(tmp_path, packets=40, link=OpenEnd())
    page = summary(verdict, run).plain()
    assert verdict["verdict"] == "VOID"
    assert re.search(r"^  all nodes +40( +–){5}$", page, re.MULTILINE)
    assert "not observable  what is shown, wrong data, clocks, marginal pulses" in page
    assert "bursts" not in page
    assert "latency" not in page.split("not observable")[0]


def test_many_nodes(passed_again: Stored) -> None:
    """Of many nodes those with a fault are listed, the rest are counted."""
    verdict, run = passed_again
    node = verdict["nodes"][0]
    verdict["nodes"] = [copy.deepcopy(node) | {"name": f"lamp-{k}"} for k in range(200)]
    page = summary(verdict, run).plain()
    assert "lamp-" not in page
    assert "200 more nodes without a fault\n" in page
    verdict["nodes"][17]["packets"]["stray"] = 3
    page = summary(verdict, run).plain()
    assert "  lamp-17 " in page
    assert "199 more nodes without a fault\n" in page


def test_long_name(passed_again: Stored) -> None:
    """A long name has a line of its own, and the columns stay where they are."""
    verdict, run = passed_again
    verdict["nodes"][0]["name"] = "x" * 64
    lines = summary(verdict, run).plain().splitlines()
    at = lines.index("  " + "x" * 64)
    assert len(lines[at + 1]) == len(lines[at + 2])


def test_one_node_is_no_sum(tmp_path: Path) -> None:
    """With a single node there is no row for all of them."""
    verdict, run = stored(tmp_path, packets=4)
    del verdict["nodes"][1:]
    assert "all nodes" not in summary(verdict, run).plain()


def test_many_causes(passed_again: Stored) -> None:
    """The most frequent causes are told, the rest counted."""
    verdict, run = passed_again
    first = {"ns": 0, "node": "ebb"}
    verdict["causes"] = [
        {"what": "stray", "cause": f"cause {k}", "count": 1, "first": first}
        for k in range(20)
    ]
    page = summary(verdict, run).plain()
    assert "cause 7" in page
    assert "cause 8" not in page
    assert "and 12 more, in verdict.json" in page


def test_ledger_that_failed(passed_again: Stored) -> None:
    """A log that stopped is said beside where it is."""
    verdict, run = passed_again
    verdict["ledger"] = {"failed": "log stopped at record 3: full", "unwritten": 9}
    for made in (summary, brief):
        page = made(verdict, run).plain()
        assert "log stopped at record 3: full; 9 records not written" in page


def test_rare_counts(passed_again: Stored) -> None:
    """What is rarely wrong has a column only then."""
    verdict, run = passed_again
    assert "out of order" not in summary(verdict, run).plain()
    verdict["packets"]["out_of_order"] = 2
    page = summary(verdict, run).plain()
    assert "out of order" in page
    assert "repeated" not in page


def test_lanes_one_after_another(passed_again: Stored) -> None:
    """How far the lanes of a node are apart is told where they are."""
    verdict, run = passed_again
    assert "last lane" not in summary(verdict, run).plain()
    verdict["bursts"]["lane_skew_ns"] = 2_120_000
    text = " ".join(summary(verdict, run).plain().split())
    assert "last lane up to 2.12 ms after the first" in text


def test_darkness_is_told(passed_again: Stored) -> None:
    """Bursts of darkness are told where there were any."""
    verdict, run = passed_again
    verdict["blackouts"] = 0
    assert "darkness" not in summary(verdict, run).plain()
    verdict["blackouts"] = 3
    text = " ".join(summary(verdict, run).plain().split())
    assert "3 of darkness after silence" in text


def test_what_gives_first(passed_again: Stored) -> None:
    """What most losses come down to stands before their causes."""
    verdict, run = passed_again
    first = {"ns": 0, "node": "ebb"}
    verdict["causes"] = [{"what": "lost", "cause": "x", "count": 1, "first": first}]
    assert "gives first" not in summary(verdict, run).plain()
    verdict["gives_first"] = "the deaf time while rearranging"
    page = summary(verdict, run).plain()
    assert "gives first     the deaf time while rearranging\ncauses   " in page


def test_shown_on_a_sync(passed_again: Stored) -> None:
    """How packets were shown stands beside times that depend on it."""
    verdict, run = passed_again
    assert "sync" not in summary(verdict, run).plain()
    verdict["shown_on"] = "sync"
    verdict["latency_ns"]["after_sync"] = verdict["latency_ns"]["shown"]
    text = " ".join(summary(verdict, run).plain().split())
    assert re.search(r"to shown (1\d\.[^a-z]* ms .*?) from the sync \1 frame", text)
    assert "nodes show on the sync that follows: times from a packet include" in text
    verdict["shown_on"] = "packet or sync"
    text = " ".join(summary(verdict, run).plain().split())
    assert "some nodes show on the sync that follows, and their times" in text


def test_extra_clocks_at_the_front(failed: Stored) -> None:
    """Clocks too many that left the data right are drawn where they came."""
    verdict, run = copy.deepcopy(failed)
    verdict["examples"]["wrong_clocks"]["data_intact"] = True
    assert "┃╷╷╷╷╷╷╷╷╷╷╷╷ ⋯ ╷╷╷╷╷╷╷╷╷╷╷╷  3841" in summary(verdict, run).plain()


def test_ledgers_of_before(passed_again: Stored) -> None:
    """A page is made of a verdict that knew nothing of lanes, syncs and darkness."""
    verdict, run = passed_again
    page = summary(verdict, run).plain()
    del verdict["shown_on"], verdict["bursts"]["lane_skew_ns"]
    assert summary(verdict, run).plain() == page


def test_again_from_the_profile_of_the_run(passed: Stored) -> None:
    """Without a command of its own, a run is repeated from its own profile."""
    verdict, run = passed
    again = f"nightbench stream {verdict['run']}/profile.toml --packets 40 --seed 7"
    assert f"again           {again}\n" in summary(verdict, run).plain()


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (1, "1ns"),
        (1500, "1500ns"),
        (60 * 10**9, "1min"),
        (90 * 10**9, "90s"),
        (1800 * 10**9, "30min"),
        (8 * 3600 * 10**9, "8h"),
    ],
)
def test_typed(ns: int, text: str) -> None:
    """A length of time as a person types it, that reads back as the same."""
    from bench.base.units import parse_duration

    assert typed(ns) == text
    assert parse_duration(text) == ns
