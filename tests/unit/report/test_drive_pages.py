"""A drive as people see it: the block, the plain lines, the page at the end."""

from __future__ import annotations

import io
import shlex

import pytest
from unit.trial.drive.rig import desk

from bench.base.errors import Fault
from bench.report.drive.looker import (
    DriveDrawn,
    DriveTold,
    drive_looker,
    standing_page,
)
from bench.report.drive.page import drive_brief, drive_page, sweep_words
from bench.report.drive.words import became
from bench.report.terminal import Out
from bench.trial.drive.asked.keys import BAD_KEYS, KEYS, PAIRS, SINGLE
from bench.trial.drive.asked.script import read_line
from bench.trial.drive.since import Stretch
from bench.trial.drive.source import Mark
from bench.trial.drive.told import Standing, Told

LEAD_NS = 20_000_000


def stretch(mark=3, offered=100, shown=97, lost=0, **more):
    """What became of packets."""
    counts = dict.fromkeys(("corrupt", "stray", "repeated", "out_of_order"), 0)
    return Stretch(mark, offered, {"shown": shown, "lost": lost, **counts, **more})


def told(line="up share", number=3, **more):
    """A mark that was passed."""
    order = desk().ask(read_line(line))
    trigger = 1_234_567 if "trigger" in line else None
    mark = Mark(number, order, 12_500_000_000, 5_000_000, trigger)
    return Told(mark, **more)


def standing(last=None, since=None, **more):
    """How a drive stands."""
    given = {
        "at_ns": 15_250_000_000,
        "octets": 6_100_000,
        "profile": desk().profile,
        "holding": False,
        "counts": {"queue_dry": 0, "moved_ns": 0},
        "waiting": 0,
    } | more
    since = since or stretch()
    return Standing(last=last, since=since, whole=since + stretch(0), **given)


def block(**more):
    """The block as text."""
    asked = {
        name: more.pop(name) for name in ("said", "typed", "width") if name in more
    }
    page = standing_page(standing(**more), "pty", lead_ns=LEAD_NS, **asked)
    return page.plain()


def test_the_block_says_what_is_on_and_what_turns_it():
    """Every control with its keys and its value, and every other key."""
    text = block()
    for key in PAIRS:
        assert f"{key} {key.upper()}" in text
    for value in ("4 Mbaud", "20 frames/s", "15 %", "16, 96, 480 octets", "packed"):
        assert value in text
    flat = " ".join(text.split())
    for key, (_, words) in SINGLE.items():
        assert f"{key} {words}" in flat
    for key, kind in BAD_KEYS.items():
        assert f"{key} {kind}" in flat
    assert len(KEYS) == 2 * len(PAIRS) + len(SINGLE) + len(BAD_KEYS)


def test_the_block_says_what_became_of_the_packets_since_the_last_change():
    """What was changed from what to what, when, how soon, and the loss since."""
    after = stretch(offered=240, shown=236, lost=2)
    text = " ".join(block(last=told(after_ns=48_000_000), since=after).split())
    assert "since mark 3 236 of 240 packets shown, 2 lost, 2 on their way" in text
    assert "traffic.foreign.share from 15 % to 20 %" in text
    assert "2.8 s ago at octet 5 000 000" in text.replace("\xa0", " ")
    assert "on the line within 48 ms of being asked for, 20 ms of it lead" in text


@pytest.mark.parametrize("width", [80, 140])
def test_the_block_fits_its_terminal(width):
    """No line is wider than the terminal, and none is cut."""
    text = block(last=told("set traffic.foreign.lengths=[1, 2, 3]"), width=width)
    assert max(len(line) for line in text.splitlines()) <= width


def test_what_is_typed_and_what_was_refused_stand_at_the_end():
    """A line in the making, or why the last one could not be obeyed."""
    assert ":set traf_" in block(typed="set traf", said="something")
    assert "out of range" in block(said="out of range: 130 %")
    assert "2 orders wait" in block(waiting=2)


def test_a_link_that_was_not_as_it_should_be_is_said():
    """Dry queues and moved plans are figures, not hidden."""
    text = block(counts={"queue_dry": 2, "moved_ns": 5_000_000})
    assert "it ran dry 2 times" in text
    assert "the plan moved by 5 ms" in text
    assert "it never ran dry" in block(counts={"queue_dry": 0, "moved_ns": 61})


def test_what_nobody_sees_is_not_observable():
    """Nothing that no link can see is a zero."""
    blind = stretch(shown=None, lost=None, corrupt=None, stray=None)
    assert "shown: not observable" in block(since=blind)
    assert blind.open is None
    assert became(stretch(offered=0, shown=0).as_dict()) == "no packets"


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    encoding = "utf-8"

    def isatty(self):
        """See `TextIO`."""
        return True


class Hands:
    """Somebody who types."""

    line = None


def test_the_drawn_block_keeps_its_height(monkeypatch):
    """It is drawn over in place; what was refused goes after a while; nothing jumps."""
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    stream, said = Terminal(), []
    looker = drive_looker(Out(stream), said.append, LEAD_NS)
    assert isinstance(looker, DriveDrawn)
    looker.link, looker.hands = "pty", Hands()
    looker.begun(None)
    assert "getting ready" in stream.getvalue()
    heights = []
    for at_s in (1, 2, 5, 12):
        if at_s == 2:
            looker.refused(Fault("no such key", "z", "one of those that are listed"))
        stream.truncate(0)
        looker.stands(standing(at_ns=at_s * 10**9))
        heights.append(stream.getvalue().count("\n"))
        assert ("no such key" in stream.getvalue()) == (at_s in (2, 5))
    assert heights[1:] == [heights[1]] * 3
    looker.close()
    assert said == []


def test_plain_lines_elsewhere():
    """One line a mark, one every few seconds, no escape codes; refusals aside."""
    stream, said = io.StringIO(), []
    looker = drive_looker(Out(stream), said.append, LEAD_NS)
    assert isinstance(looker, DriveTold)
    looker.begun(None)
    looker.marked(told(after_ns=48_000_000))
    looker.marked(told("trigger 3 ms", 4, switched_ns=1_200_000))
    for at_ms in (100, 4000, 5100, 5200, 9000, 10_200):
        looker.stands(standing(at_ns=at_ms * 1_000_000))
    looker.refused(Fault("no such key", "z"))
    looker.relinks(told())
    lines = stream.getvalue().splitlines()
    assert len(lines) == 5
    assert lines[0].startswith(
        "12.5 s  mark 3 at octet 5 000 000: traffic.foreign.share"
    )
    assert "the packet begins at octet 1 234 567" in lines[1]
    assert "switched up to 1.2 ms before" in lines[1]
    counts = "97 of 100 packets shown, none lost, 3 on their way"
    assert lines[2] == f"5.1 s  since mark 3: {counts}"
    assert "taken up anew" in lines[4]
    assert "\x1b" not in stream.getvalue()
    assert said == ["no such key: z"]


# --- afterwards -----------------------------------------------------------------------


def mark(number, asked, *changed):
    """A mark as the verdict has it."""
    return {"mark": number, "at_ns": number * 10**9, "asked": asked, "changed": changed}


SHARES = [
    mark(
        1, "set traffic.foreign.share=20 %", ("traffic.foreign.share", "15 %", "20 %")
    ),
    mark(2, "set traffic.frame_rate=25 Hz", ("traffic.frame_rate", "20 Hz", "25 Hz")),
    mark(
        3, "set traffic.foreign.share=25 %", ("traffic.foreign.share", "20 %", "25 %")
    ),
    mark(
        4, "set traffic.foreign.share=15 %", ("traffic.foreign.share", "25 %", "15 %")
    ),
    mark(5, "quit"),
]

FACTS = {
    "profile": "causeway",
    "named": "causeway",
    "link": "pty",
    "point": {"observe.by": "lines"},
    "command": ["nightbench", "drive", "causeway", "--link", "pty", "--seed", "7"],
    "dut": {},
    "rig": {"host": "here", "system": "none", "python": "3", "versions": {}},
}


def verdict(**more):
    """What a drive's verdict holds."""
    segments = [{"mark": one.mark, **one.as_dict()} for one in (stretch(0), stretch(1))]
    segments.append({"mark": 3, **stretch(3, lost=3, stray=1).as_dict()})
    return {
        "verdict": "FAIL",
        "reason": "3 packets were not shown",
        "links": [{"failures": ["3 packets were not shown"], "void": []}],
        "packets": stretch(offered=300, shown=297, lost=3, stray=1).as_dict(),
        "segments": segments,
        "marks": SHARES,
        "ended": "asked",
        "trial_ns": 6 * 10**9,
        "spent_ns": 8 * 10**9,
        "characters": 2_400_000,
        "run": "logs/x-drive",
        "ledger": None,
        "seed": 7,
    } | more


def test_the_page_lists_every_mark_with_what_came_after_it():
    """Verdict first; each mark with its instant, its packets and what was done."""
    text = drive_page(verdict(), FACTS).plain()
    lines = text.splitlines()
    assert lines[0].split() == ["FAIL", "3", "packets", "were", "not", "shown"]
    row = next(line for line in lines if line.startswith("  3 "))
    assert row.split()[1:6] == ["3.000", "s", "100", "97", "3"]
    assert row.endswith("set traffic.foreign")
    assert all(len(line) <= 80 for line in lines[lines.index(row) :][:3])
    assert text.count(".share=25 %") == 1
    quit_row = next(line for line in lines if line.startswith("  5 "))
    assert quit_row.split() == ["5", "5.000", "s", "quit"]
    assert "it was ended by hand" in text


def test_the_page_says_how_to_do_it_again_and_how_to_make_a_sweep_of_it():
    """The script of the run, and the value that was changed most, over what it was."""
    text = drive_page(verdict(), FACTS).plain()
    assert "--seed 7 --script logs/x-drive/drive.txt" in text
    words = sweep_words(verdict(), FACTS)
    assert words[:3] == ["nightbench", "sweep", "causeway"]
    assert words[-2:] == ["--over", "traffic.foreign.share=15 %; 20 %; 25 %"]
    assert "traffic.frame_rate=25 Hz" in words
    assert "observe.by=lines" in words
    assert shlex.join(words) in text
    assert sweep_words(verdict(marks=SHARES[-1:]), FACTS) == []


def test_many_marks_are_cut_and_said_to_be():
    """The ledger has all of them."""
    marks = [mark(number, "go") for number in range(1, 200)]
    text = drive_page(verdict(marks=marks), FACTS).plain()
    assert "and 140 marks more" in text


def test_the_shortest_summary():
    """The verdict, the ledger, and how to do it again."""
    text = drive_brief(verdict(), FACTS).plain()
    assert text.splitlines()[0].startswith("FAIL")
    assert "drive.txt" in text
    assert len(text.splitlines()) == 3
