"""Value change dumps: cases of people, files of four simulators, random free text."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.capture.line import read_line
from bench.capture.vcd import VcdFile
from bench.wire.characters import CharacterFormat, write_levels

CASES = Path(__file__).parent.parent.parent / "cases"


def opened(name, pieces=4096):
    """A case, read in pieces of a size."""
    octets = (CASES / name).read_bytes()
    parts = (octets[at : at + pieces] for at in range(0, len(octets), pieces))
    return VcdFile(parts, name)


def heard(name, signal, baud, pieces=4096):
    """The octets of a signal, and where the first begins."""
    file = opened(name, pieces)
    line = read_line(file.changes(file.find(signal)), CharacterFormat(baud))
    return line.octets.hex(" ").upper(), list(line.starts_ns)


A16 = {
    "A16_1ns.vcd": 20_000,
    "A16_10_ns_split.vcd": 20_000,
    "A16_100ps_tabs.vcd": 20_000,
    "A16_1us_two_lines.vcd": 20_000,
    "A16_6666ps.vcd": 19_998,
}


@pytest.mark.parametrize("pieces", [1, 7, 4096])
@pytest.mark.parametrize("name", A16)
def test_a16_five_spellings_of_a_time_scale(name, pieces):
    """Whatever its spelling, and however the file is cut: the same octets."""
    octets, starts = heard(name, "bench.rx", 1_000_000, pieces)
    assert octets == "55 C3 0A"
    assert starts[0] == A16[name]


def dump(scale="$timescale 1 ns $end", body="", signals="$var wire 1 ! rx $end"):
    """A small dump."""
    return [f"{scale} {signals} $enddefinitions $end {body}".encode()]


@pytest.mark.parametrize(
    ("scale", "text"),
    [
        ("$timescale 1 lightyear $end", "not a time scale"),
        ("$timescale ns $end", "not a time scale"),
        ("$timescale 0 ns $end", "not a time scale"),
        ("", "no time scale"),
        ("hello", "no value change dump"),
        ("$timescale 1 ns", "a command does not end"),
    ],
)
def test_a16_no_scale_is_guessed(scale, text):
    """An unknown unit, a missing scale, a file that is none: one line, never 1 ns."""
    pieces = [scale.encode()] if scale.endswith("ns") else dump(scale)
    if scale.endswith("1 ns"):
        text = "a command does not end"
    with pytest.raises(UsageError, match=text):
        VcdFile(pieces)


def test_a_scale_is_any_positive_number():
    """In femtoseconds or seconds, with a fraction, exactly."""
    for text, ns in (("1 fs", Fraction(1, 10**6)), ("0.5us", 500), ("2 s", 2 * 10**9)):
        assert VcdFile(dump(f"$timescale {text} $end")).scale_ns == ns


@pytest.mark.parametrize(
    ("signal", "octets"),
    [
        ("top.node1.rx", "11 22"),
        ("top.node2.rx", "A1 B2 C3"),
        ("top.probe.bus_a", "11 22"),
        ("bus_a", "11 22"),
        ("node2.rx", "A1 B2 C3"),
        ("top.node1.tx", "7E"),
        ("top.node1", ""),
    ],
)
def test_a17_signals_go_by_their_whole_path(signal, octets):
    """Same name in two scopes, one line by two names, a scope opened again."""
    assert heard("A17_same_names.vcd", signal, 1_000_000)[0] == octets


def test_a17_what_may_mean_two_is_refused():
    """Both are named; so is what is nearest to a name that is none."""
    file = opened("A17_same_names.vcd")
    with pytest.raises(UsageError, match=r"top\.node1\.rx, top\.node2\.rx"):
        file.find("rx")
    with pytest.raises(UsageError, match=r"did you mean top\.probe\.bus_a"):
        file.find("top.probe.bus_b")
    with pytest.raises(UsageError, match="several signals"):
        file.find()


@pytest.mark.parametrize(
    ("signal", "octets"),
    [("gpio[3]", "C0 DE"), ("gpio[7]", "0F"), ("rev[1]", "99"), ("rev[6]", "")],
)
def test_a18_one_wire_inside_a_bus(signal, octets):
    """Short values go on to the left, ranges run either way, x is no level."""
    told, starts = heard("A18_vectors.vcd", signal, 500_000)
    assert told == octets
    assert all(ns >= 10_000 for ns in starts)


def test_a18_a_vector_is_no_wire():
    """It says how to name a bit of it, and which bits there are."""
    file = opened("A18_vectors.vcd")
    with pytest.raises(UsageError, match=r"gpio has 8 bits.*gpio\[0\]"):
        file.find("gpio")
    with pytest.raises(UsageError, match=r"gpio\[7:0\]"):
        file.find("gpio[8]")


@pytest.mark.parametrize("pieces", [1, 5, 4096])
def test_a19_free_format(pieces):
    """Several tokens on a line, comments with changes, stamps said twice, no width."""
    octets, starts = heard("A19_free_format.vcd", "t.rx", 2_000_000, pieces)
    assert octets == "4F 4B 21"
    assert starts == [3_000, 8_000, 13_000]
    assert heard("A19_free_format.vcd", "t.aux", 2_000_000)[0] == ""


def test_a24_breaks_are_not_zeros():
    """Three breaks, nine slots, one framing error: ANSI E1.11 at 250 kbaud, 8N2."""
    file = opened("A24_dmx.vcd")
    line = read_line(file.changes(file.find()), CharacterFormat(250_000, stop_bits=2))
    assert line.octets.hex(" ").upper() == "00 01 7F FF 80 00 AA 00 00 55"
    assert line.flawed == 1
    assert line.breaks_at == [0, 5, 8]


def test_time_that_goes_back_is_counted_and_not_obeyed():
    """Some writers do so by a tick: the change counts where time had got to."""
    file = VcdFile(dump(body="#5 1! #9 0! #8 1! #12 0!"))
    changes = list(file.changes(file.find("rx")))
    assert changes == [(5, 1), (9, 1), (12, 0)]
    assert file.went_back == 1


@pytest.mark.parametrize("body", ["#x", "#5 hello", "#5 2!"])
def test_what_is_no_change_is_refused(body):
    """Where a file is not what the standard says, it is not read on."""
    file = VcdFile(dump(body=body))
    with pytest.raises(UsageError, match="not a"):
        list(file.changes(file.find("rx")))


SPACES = st.sampled_from([" ", "\n", "\r\n", "\t", "  \n\n"])


@given(st.data())
def test_whatever_is_written_is_read(data):
    """Characters in free text: any white space, any cut, scalars or vector bits."""
    octets = data.draw(st.binary(min_size=1, max_size=12))
    baud = data.draw(st.sampled_from([9_600, 500_000, 4_000_000]))
    format_ = CharacterFormat(baud)
    bit = data.draw(st.integers(0, 3) | st.none())
    words = ["$timescale", "1", "ns", "$end"]
    ranged = "" if bit is None else "[3:0]"
    width = "1" if bit is None else "4"
    words += ["$var", "wire", width, "%", f"bus{ranged}", "$end"]
    words += ["$enddefinitions", "$end", "#0"]

    def value(level):
        if bit is None:
            return [f"{level}%"]
        others = data.draw(st.integers(0, 15)) & ~(1 << bit)
        text = f"{others | level << bit:b}"
        return [f"b{text}", "%"]

    words += value(1)
    for ns, level in write_levels(octets, format_, 1_000):
        words += [f"#{ns}", *value(level)]
        if data.draw(st.booleans()):
            words += ["$comment", f"#{ns + 7}", "0%", "$end"]
    text = "".join(word + data.draw(SPACES) for word in words).encode()
    size = data.draw(st.integers(1, 64))
    pieces = [text[at : at + size] for at in range(0, len(text), size)]
    file = VcdFile(pieces)
    name = "bus" if bit is None else f"bus[{bit}]"
    line = read_line(file.changes(file.find(name)), format_)
    assert bytes(line.octets) == octets
    assert not line.flawed
    assert not line.rests_ns().any()
