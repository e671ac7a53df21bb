"""Pages of a campaign and of the zoo: what stands in them, and how wide they are."""

from __future__ import annotations

import pytest

from bench.report.fuzz.note import shortened
from bench.report.fuzz.page import attacks_table, fuzz_brief, fuzz_page
from bench.report.fuzz.told import CampaignTold
from bench.report.fuzz.zoo import zoo_page
from bench.report.page import Page
from bench.report.terminal import Out
from bench.trial.runner import Progress

OCTETS = " ".join(f"{k:02X}" for k in range(40))

FINDING = {
    "oracle": "alive",
    "attack": "length-zero",
    "attacks": ["length-zero"],
    "wrong": "the last good packet was not shown",
    "text": [f"length-zero: {OCTETS}", "idle 863.096 us", "a good packet: A5 5A"],
    "octets": OCTETS,
    "should": "the lanes hold 01 02",
    "did": "nothing is shown",
    "rate": 1.0,
    "failed": 10,
    "tries": 10,
    "rows": [["length-zero", 0, 0]],
    "was": 3,
    "why": "nothing smaller fails",
    "case": "corpus/alive-length-zero-1f2e3d4c.case",
}

ATTACKS = [
    {"attack": "calm", "cases": 1200, "good": 1200, "found": 0, "by": {}},
    {
        "attack": "length-zero",
        "cases": 40,
        "good": 38,
        "found": 2,
        "by": {"alive": 2, "recovery": 1},
    },
    {"attack": "runt", "cases": 31, "good": 31, "found": 0, "by": {}},
]

VERDICT = {
    "verdict": "FAIL",
    "reason": "alive: the last good packet was not shown (length-zero)",
    "failures": ["alive: the last good packet was not shown (length-zero)"],
    "void": [],
    "notes": ["3 cases were left out: this link cannot send such characters"],
    "signal": None,
    "run": "logs/20261125T030000Z-fuzz",
    "ledger": None,
    "seed": 7,
    "trial_ns": 10**9,
    "spent_ns": 2 * 10**9,
    "fuzz": {
        "cases": 1271,
        "attacks": ATTACKS,
        "findings": [FINDING],
        "coverage": {"taken": 2400, "bad-check": 30},
        "corpus": {"replayed": 2, "failed": 1, "mended": 1, "faults": []},
        "open": False,
    },
}

RUN = {
    "profile": "causeway",
    "point": {"output.clock": "2 MHz"},
    "link": "simulated",
    "command": ["nightbench", "fuzz", "causeway", "--seed", "7"],
    "dut": {},
    "rig": {
        "host": "here",
        "system": "an OS",
        "python": "3.11",
        "versions": {"nightbench": "1"},
    },
}


def with_findings(count):
    """A verdict with so many findings."""
    findings = [{**FINDING, "wrong": f"finding {k + 1}"} for k in range(count)]
    return {**VERDICT, "fuzz": {**VERDICT["fuzz"], "findings": findings}}


def test_the_page():
    """The verdict, attacks × outcomes, and the finding as a note for the bench."""
    text = fuzz_page(VERDICT, RUN).plain()
    lines = text.splitlines()
    assert lines[0].startswith("FAIL          alive: the last good packet was not")
    assert "attack                   cases   good   alive   recovery" in text
    squeezed = [" ".join(line.split()) for line in lines]
    assert "length-zero 40 38 2◂ 1◂" in squeezed
    assert "calm 1200 1200 – –" in squeezed
    note = text[text.index("found  ") :]
    assert "  send        length-zero: 00 01 02 03 04 05 06 07 … 24 more … " in note
    assert "  should      the lanes hold 01 02" in note
    assert "  did         nothing is shown" in note
    assert "10 of 10 times; 1 row, of 3 when it was found" in note
    assert f"  again       nightbench replay {FINDING['case']}" in note
    assert "receivers     taken 2400, bad-check 30" in text
    assert "corpus        2 replayed, 1 fail still, 1 no longer fail" in text


@pytest.mark.parametrize("width", [80, 100])
def test_no_line_is_wider_but_for_what_is_copied(width):
    """Sentences and tables keep to the width."""
    for line in fuzz_page(with_findings(3), RUN, width).plain().splitlines():
        copied = "nightbench " in line or "logs/" in line
        assert len(line) <= width or copied


def test_of_several_findings_the_last_is_told_whole():
    """The others have a row each."""
    text = fuzz_page(with_findings(3), RUN).plain()
    assert "found 3       finding 3" in text
    assert "finding 1" not in text
    assert "  1              alive   length-zero      1   10 of 10 times" in text


def test_attacks_that_found_nothing_together():
    """On a terminal they have one row."""
    text = fuzz_page(VERDICT, RUN, whole=False).plain()
    assert "  2 others                1231   1231       –          –" in text
    assert "  calm" not in text


def test_outcomes_that_do_not_fit_are_one_column():
    """Rather than a table that is wider than the page."""
    oracles = ["unsound", "foreign", "repeated", "recovery", "latency", "counters"]
    row = {**ATTACKS[1], "by": dict.fromkeys(oracles, 1)}
    page = Page(14, 80)
    attacks_table(page, [row], 80)
    assert "attack                   cases   good   found" in page.plain()


def test_the_shortest():
    """Verdict, ledger, and how to do it again."""
    text = fuzz_brief(VERDICT, RUN).plain()
    assert [line.split(" ")[0] for line in text.splitlines() if line[0] != " "] == [
        "FAIL",
        "ledger",
        "again",
    ]


def test_one_that_was_stopped_says_how_to_go_on():
    """By the folder of its run."""
    verdict = {**VERDICT, "signal": "SIGINT"}
    text = fuzz_page(verdict, RUN).plain()
    assert "stopped       by SIGINT; to go on:" in text
    assert "nightbench fuzz --resume logs/20261125T030000Z-fuzz" in text


def test_the_middle_of_long_octets_is_left_out():
    """And counted; what was left out before is added."""
    front, back = " ".join(["AA"] * 32), " ".join(["BB"] * 32)
    short = f"{' '.join(['AA'] * 8)} … 471 more … {' '.join(['BB'] * 8)}"
    assert shortened(f"x: {front} … 423 more … {back}") == f"x: {short}"
    assert shortened("x: A5 5A") == "x: A5 5A"
    assert shortened(front).endswith("… 16 more … " + " ".join(["AA"] * 8))


def test_on_the_way(capsys):
    """In a file: a plain line when something is found, and now and then."""
    import sys

    looking = CampaignTold(Out(sys.stdout))
    counts = {"cases": 50, "findings": 0, "last": None, "state": "attacking"}
    looking.progress(Progress(10**9, 0.1, 10**9, 0, counts))
    looking.progress(
        Progress(10**9, 0.2, 2 * 10**9, 0, {**counts, "findings": 1, "last": FINDING})
    )
    looking.close()
    assert capsys.readouterr().out == (
        " 20 %  50 cases, 25 a second, 1 s on the line, 0.5 × real time; "
        "1 found, attacking\n"
    )


def test_the_zoo():
    """Who was found by what; who was not, and what is not the smallest, is marked."""
    base = {"kind": "framing", "sentence": "wrong", "finding": None}
    nodes = [
        {
            **base,
            "name": "check-ignored",
            "found": True,
            "oracle": "unsound",
            "by": "check-value",
            "cases": 4,
            "smallest": 1,
            "known": 1,
        },
        {
            **base,
            "name": "wedges",
            "found": True,
            "oracle": "alive",
            "by": "runt",
            "cases": 12_345,
            "smallest": 3,
            "known": 1,
        },
        {
            **base,
            "name": "hidden",
            "found": False,
            "oracle": None,
            "by": None,
            "cases": 99,
            "smallest": None,
            "known": None,
        },
    ]
    good = [{"name": "causeway", "kind": "good", "cases": 500, "found": None}]
    told = {"left": 0, "seed": 0, "spent_ns": 10**9, "larger": ["wedges"]}
    text = zoo_page(nodes, good, told).plain()
    assert text.startswith("FAIL          2 of 3 bad nodes found, 0 of 1 good\n")
    assert "not found     hidden" in text
    assert "not smallest  wedges" in text
    squeezed = [" ".join(line.split()) for line in text.splitlines()]
    assert "check-ignored unsound check-value 4 1" in squeezed
    assert "wedges alive runt 12 345 3◂" in squeezed
    assert "hidden not found◂ – 99 –" in squeezed
