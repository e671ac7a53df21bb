"""The desk: what commands come to, and what is refused."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.trial.drive.rig import desk

from bench.base.errors import BenchError, Fault
from bench.trial.drive.asked.commands import CONTROLS, Set
from bench.trial.drive.asked.controls import Foreigners, reads, steps
from bench.trial.drive.asked.script import read_line


def ask(one, line):
    """The order of a typed line."""
    return one.ask(read_line(line))


@pytest.mark.parametrize(
    ("line", "control", "read"),
    [
        ("up share", "share", "20 %"),
        ("down share", "share", "10 %"),
        ("up nodes", "nodes", "5"),
        ("down nodes", "nodes", "3"),
        ("up rate", "rate", "25 frames/s"),
        ("down rate", "rate", "19 frames/s"),
        ("up length", "length", "200 octets"),
        ("down length", "length", "100 octets"),
        ("up pattern", "pattern", "ramp"),
        ("down pattern", "pattern", "prbs31"),
        ("up pacing", "pacing", "timed"),
        ("up baud", "baud", "6 Mbaud"),
        ("down baud", "baud", "3 Mbaud"),
        ("set traffic.foreign.share=7 %", "share", "7 %"),
    ],
)
def test_one_step(line, control, read):
    """A control goes to its next value, and the order says what is set."""
    one = desk()
    order = ask(one, line)
    assert reads(one.profile)[control] == read
    assert isinstance(order.command, Set)
    assert order.profile is one.profile
    assert order.changed


@pytest.mark.parametrize("control", sorted(CONTROLS))
@pytest.mark.parametrize("up", [True, False])
def test_turning_comes_to_an_end_or_around(control, up):
    """However often it is turned, each step can be obeyed or is refused."""
    one = desk()
    seen = set()
    for _ in range(60):
        seen.add(reads(one.profile)[control])
        with suppress(BenchError):
            ask(one, f"{'up' if up else 'down'} {control}")
    assert len(seen) > 1


def test_foreign_nodes_to_none_and_back():
    """With the last node goes the share; with the first it is back as it was."""
    one = desk("causeway", "traffic.foreign.share=35 %")
    for left in (3, 2, 1, 0):
        ask(one, "down nodes")
        assert reads(one.profile)["nodes"] == str(left)
    assert one.profile.traffic.foreign.share == 0
    with pytest.raises(BenchError, match="foreign nodes is at its lowest"):
        ask(one, "down nodes")
    for come in (1, 2, 3):
        ask(one, "up nodes")
        assert reads(one.profile)["nodes"] == str(come)
    assert one.profile.traffic.foreign.share == 0.35
    assert one.profile.traffic.foreign.addresses == (17, 18, 19)
    for _ in range(9):
        with suppress(BenchError):
            ask(one, "up nodes")
    addresses = one.profile.traffic.foreign.addresses
    assert len(set(addresses)) == 8
    assert not {node.address for node in one.profile.node} & set(addresses)


def test_a_pacing_that_the_framing_has_no_room_for_is_passed_over():
    """Packets that end with a silence cannot be packed: the next pacing is taken."""
    one = desk("modbus-rtu")
    assert one.profile.traffic.pacing == "timed"
    ask(one, "down pacing")
    assert one.profile.traffic.pacing == "flood"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("set output.clock=2 MHz", "not to be turned while traffic runs: output.clock"),
        ("set traffic.foreign.share=130 %", "@ traffic.foreign.share"),
        ("set traffic.frame_rate=3 kHz", "own packets do not fit"),
        ("set traffic.patern=ramp", "did you mean traffic.pattern?"),
        ("set traffic.pattern=play", "there is no recording to play"),
        ("set traffic.frame_rate=20 Hz", "so it is already"),
        ("set traffic.foreign.share=99.5 %", "own and foreign packets do not fit"),
    ],
)
def test_what_cannot_be_is_one_line_and_changes_nothing(line, said):
    """The old value stays, and the next command is obeyed."""
    one = desk()
    before, sets = one.profile, dict(one.sets)
    with pytest.raises(BenchError) as error:
        ask(one, line)
    assert said in str(error.value)
    assert one.profile is before
    assert one.sets == sets
    ask(one, "up share")


def test_lights_hold_at_every_change():
    """A value past what lights may do is refused with what keeps it; others are not."""

    def lights(profile):
        bright = profile.traffic.pattern == "ramp"
        return [Fault("light too bright", "50 %")] if bright else []

    one = desk()
    one.lights = lights
    with pytest.raises(BenchError, match="light too bright"):
        ask(one, "set traffic.pattern=ramp")
    assert one.profile.traffic.pattern == "random"
    ask(one, "up pattern")  # the next one is tried instead
    assert one.profile.traffic.pattern == "walking-one"


def test_malformed_packets_are_refused_where_boards_may_not_fail():
    """On lights that nobody said may fail, one line says what to do."""
    one = desk(may_fail=False)
    with pytest.raises(BenchError, match="--allow-failing"):
        ask(one, "bad check")
    with pytest.raises(BenchError, match="no length field"):
        ask(desk("slipway"), "bad length")


def test_what_a_link_is_held_by_takes_it_up_anew():
    """Baud and pacing do, and nothing else."""
    assert ask(desk(), "up baud").relink
    assert ask(desk(), "up pacing").relink
    for line in ("up share", "up nodes", "up rate", "up pattern", "up length"):
        assert not ask(desk(), line).relink


def test_after_the_end_nothing_is_asked():
    """Who quits has quit."""
    one = desk()
    ask(one, "quit")
    with pytest.raises(BenchError, match="the drive is ending"):
        ask(one, "up share")


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.tuples(st.sampled_from(sorted(CONTROLS)), st.booleans()), max_size=12),
    st.sampled_from(["causeway", "jetty", "slipway", "dmx512", "modbus-rtu"]),
)
def test_what_is_set_comes_to_the_same_profile(turns, name):
    """The sets of all orders, put together, are the profile that the desk has."""
    one = desk(name)
    sets = {}
    for control, up in turns:
        try:
            order = ask(one, f"{'up' if up else 'down'} {control}")
        except BenchError:
            continue
        sets |= dict(order.command.values)
    again = one.load([f"{path}={value}" for path, value in sets.items()])
    assert again == one.profile
    for control in CONTROLS:
        for values in steps(control, one.profile, up=True, foreigners=Foreigners(0.05)):
            assert all(path and value for path, value in values)
