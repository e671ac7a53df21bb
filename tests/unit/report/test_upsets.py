"""The page of upsets: what it says, and in which order."""

from __future__ import annotations

from typing import Any

import pytest

from bench.report.upsets import TrialsTold, upset_brief, upset_page
from bench.trial.runner import Progress

RUN = {
    "profile": "quay",
    "point": {"bus.baud": "2 Mbaud"},
    "link": "simulated",
    "packets": None,
    "duration_ns": None,
    "dut": {"serial": "0042", "revision": None, "firmware": None, "operator": None},
    "rig": {"host": "here", "system": "some", "python": "3.11", "versions": {}},
    "command": ["nightbench", "upset", "quay", "--seed", "7"],
}


def node(name: str = "ebb", **more: Any) -> dict[str, Any]:
    """One node that fared well."""
    return {
        "name": name,
        "first": 1,
        "after_ns": 28_700_000,
        "bound": 2,
        "bound_ns": 10_000_000,
        "why": "the longest packet",
        "unseen": 1,
        "missed": 0,
        "by_luck": 0,
        "wrong": 0,
        "by_chance": 0,
        "refused": 0,
        "dark": 0,
        "halves": 0,
        **more,
    }


def verdict(*nodes: dict[str, Any], **more: Any) -> dict[str, Any]:
    """What one upset came to."""
    one = {
        "upset": "power-up",
        "what": "the nodes are switched on",
        "verdict": "PASS",
        "reason": "fine",
        "times": 3,
        "lasts_ns": 0,
        "in_step_ns": 7060,
        "nodes": list(nodes) or [node()],
        "strikes": [],
    }
    return {
        "verdict": "PASS",
        "reason": "power-up, 3 times: nothing wrong was shown",
        "failures": [],
        "void": [],
        "notes": [],
        "upsets": [one],
        "seed": 7,
        "signal": None,
        "trials": 4,
        "trial_ns": 2_000_000_000,
        "characters": 800_000,
        "spent_ns": 1_000_000_000,
        "ledger": None,
        "run": "logs/when-upset",
        **more,
    }


def page(*nodes: dict[str, Any], **more: Any) -> str:
    """The page as text."""
    return upset_page(verdict(*nodes, **more), RUN).plain()


def test_the_table() -> None:
    """When receivers were in step, then each node beside its bound."""
    lines = page(node(), node("flood-gate", first=2, unseen=3)).splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("shows again"))
    assert lines[at].split() == [
        "shows",
        "again",
        "packet/bound",
        "after",
        "unseen",
        "wrong",
    ]
    assert lines[at + 1].split() == ["power-up", "PASS", "in", "step", "7.06", "us"]
    assert lines[at + 2].split() == ["ebb", "1/2", "28.7", "ms", "1", "0"]
    assert lines[at + 3].split() == ["flood-gate", "2/2", "28.7", "ms", "3", "0"]
    assert all(len(line) <= 80 for line in lines)


def test_columns_only_where_there_is_something() -> None:
    """Bursts shown half, darkness and chance have a column if there are any."""
    assert "half" not in page()
    text = page(node(halves=2, dark=3, by_chance=1))
    heads = next(line for line in text.splitlines() if line.startswith("shows again"))
    assert heads.split()[-3:] == ["half", "dark", "chance"]
    row = next(line for line in text.splitlines() if line.startswith("    ebb"))
    assert row.split()[-3:] == ["2", "3", "1"]


def test_no_bound_is_not_zero() -> None:
    """Nor is a node that never shows again given a time."""
    text = page(node(bound=None), node("flood-gate", first=None, after_ns=None))
    assert "1/–" in text
    row = next(line for line in text.splitlines() if "flood-gate" in line)
    assert row.split()[1:3] == ["never◂", "–"]


def test_faults_are_marked() -> None:
    """A wrong burst, and packets that had to be shown, with a sign beside them."""
    row = page(node(wrong=2, missed=1, first=1)).splitlines()
    marked = next(line for line in row if line.startswith("    ebb"))
    assert "1/2◂" in marked
    assert marked.rstrip().endswith("2◂")


def test_what_else_is_wrong() -> None:
    """Other faults follow the reason; of many the first few."""
    faults = [f"fault {k}" for k in range(9)]
    text = page(verdict="FAIL", reason="fault 0", failures=faults)
    assert text.startswith("FAIL                fault 0\n")
    assert "fault 6" in text
    assert "fault 7" not in text
    assert "and 2 more, in verdict.json" in text


def test_void_and_stopped() -> None:
    """A signal is named, and what was not tried."""
    text = page(
        verdict="VOID",
        reason="not tried: silence",
        void=["not tried: silence"],
        signal="SIGINT",
        upsets=[],
    )
    assert text.startswith("VOID                not tried: silence\n")
    assert "by SIGINT; the rest was not tried" in text
    assert "shows again" not in text


def test_many_nodes() -> None:
    """Of more than a dozen the slowest; or those that fail."""
    nodes = [node(f"n{k}", after_ns=1_000_000 + k) for k in range(20)]
    text = page(*nodes)
    assert "    n19" in text
    assert "    n18" not in text
    assert "20 nodes; the others were no slower" in text
    nodes[3]["wrong"] = 1
    text = page(*nodes)
    assert "    n3" in text
    assert "    n19" not in text


def test_how_to_do_it_again() -> None:
    """The folder, the command, the device, and the point."""
    text = page()
    assert "quay with bus.baud = 2 Mbaud, 4 trials" in text
    assert "ledger              logs/when-upset" in text
    assert "again               nightbench upset quay --seed 7" in text
    assert "dut                 serial 0042" in text
    brief = upset_brief(verdict(), RUN).plain().splitlines()
    assert [line.split()[0] for line in brief] == ["PASS", "ledger", "again"]


class Paper:
    """A stream that keeps what is written."""

    def __init__(self) -> None:
        self.text = ""

    def write(self, text: str) -> int:
        """Keep it."""
        self.text += text
        return len(text)

    def flush(self) -> None:
        """Nothing is held back."""


@pytest.mark.parametrize(("spent_ns", "lines"), [(4 * 10**9, 0), (6 * 10**9, 1)])
def test_progress_now_and_then(spent_ns: int, lines: int) -> None:
    """A line every five seconds at most, and none for what takes less."""
    paper = Paper()
    told = TrialsTold(paper)
    counts = {"trials": 7, "of": 31}
    for _ in range(3):
        told.progress(Progress(2 * 10**9, 7 / 31, spent_ns, 10, counts))
    assert paper.text.count("\n") == lines
    if lines:
        assert paper.text.startswith(" 22 %  7 of 31 trials, 2 s on the line")
