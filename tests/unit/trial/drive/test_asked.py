"""Commands, scripts and keys: what is typed, and what it means."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import BenchError, UsageError
from bench.trial.drive.asked.commands import (
    BAD,
    CONTROLS,
    PLAIN,
    Bad,
    Note,
    One,
    Quit,
    Set,
    Trigger,
    Turn,
    read,
    written,
)
from bench.trial.drive.asked.keys import KEYS, Keyboard, key_lines, understood
from bench.trial.drive.asked.script import (
    Asked,
    read_line,
    read_script,
    script_line,
    written_script,
)

PATHS = st.from_regex(r"[a-z_]{1,8}(\.[a-z_]{1,8}){0,3}", fullmatch=True)
VALUES = st.one_of(
    st.from_regex(r"[0-9]{1,6}( %| Hz| Mbaud)?", fullmatch=True),
    st.lists(st.integers(0, 255), max_size=4).map(str),
    st.just(""),
)
NOTES = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1).map(
    lambda text: text[:200]
)
COMMANDS = st.one_of(
    st.lists(st.tuples(PATHS, VALUES), min_size=1, max_size=3).map(
        lambda pairs: Set(tuple(pairs))
    ),
    st.builds(Turn, st.sampled_from(sorted(CONTROLS)), st.booleans()),
    st.builds(Bad, st.sampled_from(sorted(BAD))),
    st.builds(Trigger, st.none() | st.integers(1, 10**15)),
    st.builds(Note, NOTES),
    st.sampled_from(list(PLAIN.values())),
)


@given(COMMANDS)
def test_a_command_reads_back(command):
    """What is written is read as the same command."""
    assert read(written(command)) == command


@given(st.text())
def test_any_line_is_a_command_or_a_fault(text):
    """Whatever is typed is understood, or refused in one line; never anything else."""
    said = ""
    try:
        read_line(text)
    except BenchError as error:
        said = str(error)
    assert said.isprintable()


@given(st.lists(st.tuples(st.integers(0, 10**16), COMMANDS), max_size=8))
def test_a_script_reads_back(rows):
    """A script that was written reads as the same, to the nanosecond."""
    rows.sort(key=lambda row: row[0])
    asked = [Asked(command, at_ns) for at_ns, command in rows]
    text = written_script(asked, ["for the reader", "twice"])
    assert read_script(text, "mine") == asked


def test_a_script_as_a_person_writes_it():
    """Spaces, comments, a byte-order mark and other line ends are no matter."""
    text = "\ufeff# mine\r\n\r\n  at 2s   up share\r\nat 2.5 s  mark  low tide \r\n"
    assert read_script(text, "mine") == [
        Asked(Turn("share", up=True), 2_000_000_000),
        Asked(Note("low tide"), 2_500_000_000),
    ]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("hold", "no instant: hold, expected at TIME and a command @ mine:1"),
        ("at 2 s hold\nat 1 s go", "out of order: at 1 s go, expected 2 s or later"),
        ("at 2 s up shore", "did you mean share?"),
        ("at 2 s hodl", "did you mean hold?"),
        ("at 2 sec hold", "unknown unit: 2 sec"),
        ("at -1 s hold", "no such command"),
        ("at 1 s quit now", "nothing follows quit: now"),
        ("at 1 s set traffic.pacing", "not a value to set: traffic.pacing"),
        ("at 1 s trigger 0 s", "no time: 0 s"),
        ("at 1 s bad luck", "no such malformed packet: luck"),
        ("at 1 s mark", "not a note"),
    ],
)
def test_what_a_script_gets_wrong_is_one_line(text, said):
    """A fault names what is wrong, and the line of the file."""
    with pytest.raises(UsageError) as error:
        read_script(text, "mine")
    assert said in str(error.value)
    assert f"mine:{len(text.splitlines())}" in str(error.value)


def test_a_line_of_a_script():
    """The line of a mark is as one would type it."""
    line = script_line(12_500_000_000, Set((("traffic.foreign.share", "30 %"),)))
    assert line == "at 12.5 s set traffic.foreign.share=30 %"


# --- keys -----------------------------------------------------------------------------


def asked_by(signs):
    """What keys ask for, each read by itself."""
    keyboard = Keyboard()
    return [one.asked for sign in signs for one in keyboard.press(sign) if one.asked]


def test_keys_and_a_line_between():
    """A letter turns; after a colon letters are text until Return."""
    keyboard = Keyboard()
    assert keyboard.press("S")[0].asked == Asked(Turn("share", up=True))
    assert keyboard.press("s")[0].asked == Asked(Turn("share", up=False))
    assert keyboard.press(":") == []
    assert keyboard.press("trigge") == []
    assert keyboard.press("x\x7fr 5 ms") == []
    assert keyboard.line == "trigger 5 ms"
    assert keyboard.press("\n")[0].asked == Asked(Trigger(5_000_000))
    assert keyboard.line is None
    assert keyboard.press("1")[0].asked == Asked(One(frame=False))


def test_escape_forgets_a_line_and_cursor_keys_mean_nothing():
    """Nothing is asked by what is no command, and a line that is left is gone."""
    keyboard = Keyboard()
    assert keyboard.press("\x1b[A\x1bOP\x1b[15~") == []
    assert keyboard.press(":quit\x1b") == []
    assert keyboard.line is None
    assert keyboard.press("q")[0].asked == Asked(Quit())


def test_a_key_that_means_nothing_says_so():
    """It does nothing but say so."""
    (pressed,) = Keyboard().press("z")
    assert pressed.asked is None
    assert "no such key: z" in str(pressed.fault)


@given(st.lists(st.text(max_size=12), max_size=12))
def test_no_typing_breaks_the_keyboard(parts):
    """Whatever comes from a terminal is a command, a fault, or nothing."""
    keyboard = Keyboard()
    for part in parts:
        for pressed in keyboard.press(part):
            assert (pressed.asked is None) != (pressed.fault is None)


@given(st.lists(st.sampled_from([*KEYS, ":", "\n", "\x1b", " "]), max_size=30))
def test_keys_do_not_depend_on_how_they_are_read(signs):
    """Read one by one or all at once, keys ask for the same."""
    keyboard = Keyboard()
    text = "".join(signs)
    whole = [one.asked for one in keyboard.press(text) if one.asked]
    if "\x1b" not in text:  # which may begin what a cursor key sends
        assert whole == asked_by(signs)


def test_every_key_is_listed():
    """The help names every key there is."""
    listed = " ".join(key for key, _ in key_lines()).split()
    assert sorted(listed) == sorted([*KEYS, ":"])


def test_an_empty_line_asks_for_nothing():
    """Return alone is no mistake."""
    assert understood("  \n").fault is None
    assert understood(":hold").asked == Asked(PLAIN["hold"])
