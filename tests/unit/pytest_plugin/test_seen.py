"""What a test is told of nodes: by lines, by a program, by simulated boards."""

from __future__ import annotations

import sys
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.columns import Flaw
from bench.base.errors import LinkError
from bench.link.lines import format_line
from bench.profile import load_profile
from bench.pytest_plugin.bus import Bus
from bench.pytest_plugin.child import Child
from bench.pytest_plugin.seen import did_by_lines, traffic_of
from bench.strategies import Piece, Traffic
from bench.strategies.sent import Marked, Run
from bench.wire.format import format_of
from bench.wire.packets import build

PROFILE = load_profile("tests/links/child/profile.toml")

NAMES = {"1": "upper", "2": "lower", "upper": "upper", "lower": "lower"}


def child(tmp_path, code):
    """A program of Python."""
    file = tmp_path / "program.py"
    file.write_text(code)
    command = f"{sys.executable} {file}"
    return Child(PROFILE, 0, command, lambda _: tmp_path)


def packet(address, payload):
    """A packet on the line."""
    return build(format_of(PROFILE.packet), address=address, payload=payload)


# --- lines ----------------------------------------------------------------------------

SIGHTINGS = st.one_of(
    st.tuples(
        st.just("shown"),
        st.sampled_from(sorted(NAMES)),
        st.one_of(st.none(), st.binary(min_size=1, max_size=9)),
        st.one_of(st.none(), st.integers(0, 99)),
    ),
    st.tuples(
        st.just("dropped"),
        st.sampled_from(sorted(NAMES)),
        st.sampled_from(["bad-check", "wrong-size"]),
    ),
    st.tuples(st.just("lost"), st.sampled_from(sorted(NAMES)), st.integers(0, 1000)),
)


@given(st.lists(SIGHTINGS, max_size=20))
def test_lines_are_sorted_by_node(sightings):
    """Whatever lines say, by address or by name, is under its node, in order."""
    text, shown, clocks, dropped = b"", {}, {}, {}
    lost = dict.fromkeys(["upper", "lower"], 0)
    for kind in (shown, clocks, dropped):
        kind |= {"upper": [], "lower": []}
    for word, node, *values in sightings:
        name = NAMES[node]
        if word == "shown":
            text += format_line(word, node=node, octets=values[0], clocks=values[1])
            shown[name].append(values[0])
            clocks[name].append(values[1])
        elif word == "dropped":
            text += format_line(word, node=node, reason=values[0])
            dropped[name].append(values[0])
        else:
            text += format_line(word, node=node, characters=values[0])
            lost[name] += values[0]
    did = did_by_lines(PROFILE, text.decode())
    assert (did.shown, did.clocks, did.dropped) == (shown, clocks, dropped)
    assert did.lost == lost
    assert did.said == []


@given(st.text(max_size=60))
def test_any_text_is_read(text):
    """Whatever a program prints, it is a sighting, or kept, or told to be damaged."""
    with suppress(LinkError):
        did = did_by_lines(PROFILE, text)
        sightings = sum(map(len, [*did.shown.values(), *did.dropped.values()]))
        assert len(did.said) + sightings <= len(text.splitlines())


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("shown node=7", "a sighting of nobody: shown node=7, expected 1 or upper or "),
        ("shown octets=00", "a sighting of nobody: shown octets=00"),
        ("shown node=1 clocks=x", "a sighting without a number: shown node=1 clocks=x"),
        ("shown node=1 octets=0", "a sighting without octets: shown node=1 octets=0"),
    ],
)
def test_damaged_lines(line, said):
    """One line each."""
    with pytest.raises(LinkError) as caught:
        did_by_lines(PROFILE, line)
    assert str(caught.value).startswith(said)


def test_what_is_sent():
    """Traffic, a piece of it, or plain octets."""
    piece = Piece("x", (Run(b"ab"),))
    whole = Traffic(PROFILE, (piece, piece))
    assert traffic_of(PROFILE, whole) is whole
    assert traffic_of(PROFILE, piece).octets == b"ab"
    assert traffic_of(PROFILE, bytearray(b"ab")).octets == b"ab"


# --- programs -------------------------------------------------------------------------


def test_a_program_is_heard_to_its_end(tmp_path):
    """It gets every octet, and what it says beside sightings is kept."""
    code = (
        "import sys\n"
        "octets = sys.stdin.buffer.read()\n"
        "print('hello')\n"
        "print('shown node=2 octets=' + octets.hex())\n"
    )
    did = child(tmp_path, code).send(bytes(range(256)))
    assert did.shown == {"upper": [], "lower": [bytes(range(256))]}
    assert did.clocks == {"upper": [], "lower": [None]}
    assert did.said == ["hello"]


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("import sys; sys.exit(3)", "the program ended with exit code 3"),
        (
            "import sys; sys.stderr.write('a\\nout of buffers\\n'); sys.exit(1)",
            "the program ended with exit code 1: out of buffers",
        ),
        (
            "import os, signal; os.kill(os.getpid(), signal.SIGKILL)",
            "the program ended by signal 9",
        ),
    ],
)
def test_a_program_that_breaks(tmp_path, code, said):
    """How it ended, and the last that it said, in a line."""
    with pytest.raises(LinkError) as caught:
        child(tmp_path, code).send(b"")
    assert str(caught.value) == said


def test_a_program_that_does_not_read(tmp_path):
    """It may end before it has read all: that is no fault of its own."""
    did = child(tmp_path, "print('shown node=1')").send(bytes(1 << 20))
    assert did.shown["upper"] == [None]


def test_a_program_that_hangs(tmp_path):
    """It is ended, and said to hang after so many octets."""
    hanging = child(tmp_path, "import threading; threading.Event().wait()")
    with pytest.raises(LinkError) as caught:
        hanging.send(b"abc", within_s=0.2)
    assert str(caught.value) == "the program hangs: 0.2 s after 3 octets"


def test_a_program_that_is_not_there(tmp_path):
    """Its name, in a line."""
    none = Child(PROFILE, 0, tmp_path / "none", lambda _: tmp_path)
    with pytest.raises(LinkError, match="cannot start: no such file or directory: "):
        none.send(b"")
    assert none.link == f"child:{tmp_path / 'none'}"


def test_more_than_octets_is_refused(tmp_path):
    """What a standard input cannot carry is an error before anything is started."""
    none = Child(PROFILE, 0, tmp_path / "none", lambda _: tmp_path)
    with pytest.raises(ValueError, match="no octets say this"):
        none.send(Piece("x", (Marked(0, Flaw.FRAMING),)))


# --- simulated boards -----------------------------------------------------------------


def test_boards_are_switched_on_for_everything_sent():
    """Half a packet now and half then is no packet; a whole one is, with its clocks."""
    bus = Bus(PROFILE, 0, lambda _: None)
    octets = packet(1, b"8 octets")
    assert bus.send(octets[:9]).shown == {"upper": [], "lower": []}
    assert bus.send(octets[9:]).shown == {"upper": [], "lower": []}
    did = bus.send(octets)
    assert did.shown == {"upper": [b"8 octets"], "lower": []}
    assert did.clocks == {"upper": [32], "lower": []}
    assert bus.send(b"").shown == {"upper": [], "lower": []}


def test_boards_say_why_and_what_they_lost():
    """A bad check and a wrong size are dropped; an overrun is counted."""
    bus = Bus(PROFILE, 0, lambda _: None)
    bad = bytearray(packet(2, b"8 octets"))
    bad[-1] ^= 1
    did = bus.send(bytes(bad) + packet(1, b"abc"))
    assert did.dropped == {"upper": ["wrong-size"], "lower": ["bad-check"]}
    slow = load_profile(
        "tests/links/child/profile.toml",
        ["processor.interrupt.per_character=30 us"],
    )
    lost = Bus(slow, 0, lambda _: None).send(bytes(200)).lost
    assert lost["upper"] > 50


def test_extra_clocks_are_seen():
    """A clock that is stopped too late is one too many, as on a real board."""
    late = load_profile("causeway", ["output.clock=2 MHz"])
    bus = Bus(late, 0, lambda _: None)
    form = format_of(late.packet)
    octets = build(form, address=1, payload=bytes(3840))
    assert bus.send(octets).clocks["slack-water"] == [3841]
