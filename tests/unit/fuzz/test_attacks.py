"""What is laid on the line is what the attack says."""

from __future__ import annotations

import numpy as np
import pytest
from unit.fuzz.boards import NAMES, attacks_on

from bench.base.errors import UsageError
from bench.fuzz.attacks import KINDS, Attacks
from bench.fuzz.attacks.kinds import NUMBER_OF
from bench.fuzz.cases import Case
from bench.fuzz.steer import steered
from bench.wire.packets import read

# fmt: off
WANTED = (
    "check-value", "check-order", "check-span", "length-zero", "length-short",
    "length-long", "length-maximal", "length-wrapping", "truncated", "marker-inside",
    "header-inside-header", "delimiters-repeated", "delimiter-missing", "bad-escape",
    "address-bits", "address-near", "broadcast", "broadcast-size", "broadcast-near",
    "foreign-twin", "foreign-shell", "sequence-repeat", "sequence-jump", "sync-missed",
    "sync-early", "runt", "giant", "pause-inside", "no-gap", "noise-before",
    "noise-inside", "noise-after", "spike", "framing-error", "parity-error",
    "break-inside", "baud-offset", "baud-drift", "bit-error", "bit-errors",
    "bit-burst", "overload", "slow-drip", "reset-inside", "start-inside", "silence",
    "literal-wrong", "mark-inside",
)
# fmt: on


def piece_of(name, *row):
    """The octets of the first piece of one attack, and the lay."""
    attacks = attacks_on(name)
    number = NUMBER_OF[row[0]]
    case = Case(np.array([(number, *row[1:])], np.int64), 1, 0, before=0, around=0)
    laid = attacks.lay(case)
    piece = laid.pieces[0]
    first = int(piece["first"])
    return laid.line.octets[first : first + int(piece["octets"])].tobytes(), laid


def sound(name):
    """The same packet without the fault."""
    return piece_of(name, "calm", 0, 0)[0]


def test_every_attack_is_on_some_board():
    """All that a receiver may meet is sent to some board or other."""
    offered = {kind.name for name in NAMES for kind in attacks_on(name).kinds}
    assert offered == {*WANTED, "calm"}
    assert [kind.number for kind in KINDS] == list(range(len(KINDS)))


@pytest.mark.parametrize("name", NAMES)
def test_lines_are_well_formed(name):
    """Characters come in order, flaws and runs are theirs, pieces do not overlap."""
    attacks = attacks_on(name)
    for case in attacks.draw(4, 0, 150):
        laid = attacks.lay(case)
        line = laid.line
        assert (np.diff(laid.starts) > 0).all()
        assert (np.diff(line.flaws["at"]) > 0).all()
        assert (np.diff(line.runs["first"]) > 0).all()
        assert line.runs["first"][0] == 0
        ends = laid.pieces["first"] + laid.pieces["octets"]
        assert (ends[:-1] <= laid.pieces["first"][1:]).all()
        assert ends[-1] <= len(line.octets)
        assert laid.attack_ns <= laid.good_ns <= laid.from_ns < line.until_ns
        assert len(laid.must) >= 1
        sent = laid.sent
        assert (sent.rows["payload_at"][sent.rows["payload_octets"] > 0] >= 0).all()
        told = attacks.told(case)
        assert len(told) >= len(case.rows) + 2


@pytest.mark.parametrize("name", NAMES)
def test_a_case_carries_traffic_up_to_its_recovery_bound(name):
    """The last good packet comes after as many characters as may be swallowed."""
    attacks = attacks_on(name)
    for case in attacks.draw(6, 0, 60):
        laid = attacks.lay(case)
        after = laid.starts[laid.starts >= laid.good_ns]
        between = int((after < laid.from_ns).sum())
        quiet_ns = laid.from_ns - laid.good_ns
        assert between >= attacks.ground.recover
        assert quiet_ns >= attacks.ground.quiet_ns


def test_checks_are_wrong_as_told():
    """Value, order and span of the check, on a format that can be read by eye."""
    form = attacks_on("causeway").ground.form
    good = sound("causeway")
    wrong, _ = piece_of("causeway", "check-value", 0, 0x0101)
    assert wrong[:-2] == good[:-2]
    assert read(form, wrong).check == read(form, good).check ^ 0x0101
    turned, _ = piece_of("causeway", "check-order", 0, 1)
    assert turned == good[:-2] + good[:-3:-1]
    rule = form.layout.check
    later, _ = piece_of("causeway", "check-span", 0, 0)
    assert read(form, later).check == rule.check.compute(good[3:-2])
    shorter, _ = piece_of("causeway", "check-span", 1, 1)
    assert read(form, shorter).check == rule.check.compute(good[2:-3])


@pytest.mark.parametrize(
    ("kind", "value", "says"),
    [
        ("length-zero", 0, 0),
        ("length-short", 3, 13),
        ("length-long", 3, 19),
        ("length-maximal", 1, 0xFFFE),
        ("length-wrapping", 1, 0x0110),
    ],
)
@pytest.mark.parametrize("place", [0, 1])
def test_lengths_lie_as_told(kind, value, says, place):
    """The field says it; the check is right over that, or over the true length."""
    form = attacks_on("causeway").ground.form
    good = sound("causeway")
    lies, _ = piece_of("causeway", kind, place, value)
    assert read(form, lies).length == says
    over = lies if place == 0 else good
    assert read(form, lies).check == form.layout.check.check.compute(over[2:-2])


def test_where_packets_begin_and_end():
    """Truncated, begun twice, doubled, or without a delimiter."""
    good = sound("causeway")
    assert piece_of("causeway", "truncated", 7, 0)[0] == good[:7]
    assert piece_of("causeway", "header-inside-header", 3, 0)[0] == good[:3] + good
    slip = sound("slipway")
    assert slip[:1] == slip[-1:] == b"\xc0"
    assert piece_of("slipway", "delimiter-missing", 0, 0)[0] == slip[1:]
    assert piece_of("slipway", "delimiter-missing", 1, 0)[0] == slip[:-1]
    assert piece_of("slipway", "delimiters-repeated", 0, 2)[0] == b"\xc0\xc0" + slip
    assert piece_of("slipway", "delimiters-repeated", 1, 2)[0] == slip + b"\xc0\xc0"
    assert piece_of("slipway", "bad-escape", 3, 0x41)[0][3:5] == b"\xdbA"
    inside, _ = piece_of("causeway", "marker-inside", 4, 6)
    assert inside[10:13] == good[:3]
    wrong, _ = piece_of("causeway", "literal-wrong", 1, 0x80)
    assert wrong[:2] == bytes([good[0], good[1] ^ 0x80])


def test_whom_packets_are_for():
    """Addresses some bits away, next to it, everybody's, and nobody's."""
    form = attacks_on("causeway").ground.form

    def address(*row):
        packet, _ = piece_of("causeway", *row)
        fields = read(form, packet)
        assert fields.check == form.layout.check.check.compute(packet[2:-2])
        return fields.address

    assert address("address-bits", 0, 0x42) == 1 ^ 0x42
    assert [address("address-near", 0, k) for k in range(3)] == [2, 0, 3]
    assert address("broadcast", 0, 0) == 255
    assert address("broadcast-near", 3, 0) == 255 ^ 8
    assert address("foreign-twin", 0, 1) == attacks_on("causeway").ground.strangers[1]
    packet, _ = piece_of("causeway", "broadcast-size", 5, 0)
    assert len(read(form, packet).payload) == 5
    shell, _ = piece_of("causeway", "foreign-shell", 24, 0)
    inside = read(form, shell).payload
    assert read(form, inside).address == 1
    assert read(form, inside).check == form.layout.check.check.compute(inside[2:-2])


def test_bits_are_turned_over_as_the_check_takes_them_in():
    """Low bit first for a reflected check, high bit first for the other kind."""
    good, wrong = sound("causeway"), piece_of("causeway", "bit-error", 9, 0)[0]
    assert int.from_bytes(good) ^ int.from_bytes(wrong) == 2 << 8 * (len(good) - 4)
    flips, laid = piece_of("causeway", "bit-errors", 0, 7)
    assert (int.from_bytes(good) ^ int.from_bytes(flips)).bit_count() == 7
    assert int(laid.pieces[0]["flips"]) == 7
    burst, _ = piece_of("causeway", "bit-burst", 8, 0b101)
    assert burst[3] == good[3] ^ 0b101


def test_pauses_and_breaks_are_where_they_are_told():
    """A pause before an octet; a break in its place; a missing stop bit."""
    _, laid = piece_of("causeway", "pause-inside", 5, 12_345)
    character_ns = laid.ground.spec.uart.character_ns
    assert laid.starts[5] - laid.starts[4] == character_ns + 12_345
    _, laid = piece_of("causeway", "framing-error", 4, 0)
    assert laid.line.flaws["at"].tolist() == [4]
    assert laid.line.flaws["kind"].tolist() == [1]
    _, laid = piece_of("causeway", "break-inside", 4, 50_000)
    assert laid.line.flaws["length_ns"].tolist() == [50_000]
    _, laid = piece_of("causeway", "slow-drip", 0, 777)
    gaps = np.diff(laid.starts[:24])
    assert (gaps == character_ns + 777).all()


def test_resets_come_within_a_character():
    """After its start bit and before its end, between two characters of the line."""
    _, laid = piece_of("causeway", "reset-inside", 6, 1000)
    ((place, at_ns),) = laid.resets
    assert laid.starts[place - 1] < at_ns < laid.starts[place]
    _, laid = piece_of("causeway", "start-inside", 6, 1000)
    ((place, at_ns),) = laid.resets
    assert place == 0
    assert laid.starts[0] > at_ns


def test_rows_that_mean_nothing_are_refused():
    """Of another profile, of no attack at all, or out of range."""
    attacks = attacks_on("causeway")
    for row in ((NUMBER_OF["parity-error"], 0, 0), (99, 0, 0), (0, -1, 0)):
        case = Case(np.array([row], np.int64), 1, 0)
        with pytest.raises(UsageError, match=r"attack|laid"):
            attacks.lay(case)
    with pytest.raises(UsageError, match="no such attack"):
        attacks.draw(1, 0, 1, only=["tickle"])
    with pytest.raises(UsageError, match="no such node"):
        Attacks(attacks.ground.profile, node=9)


def test_steering_repeats_and_prefers_what_is_rare():
    """Weights follow from profile and seed; no attack is left out."""
    attacks = attacks_on("causeway")
    once, twice = steered(attacks, 1), steered(attacks, 1)
    weights = [one.weight for one in once.ranges.values()]
    assert weights == [one.weight for one in twice.ranges.values()]
    assert min(weights) >= 1
    assert weights != [one.weight for one in attacks.ranges.values()]
    assert once.draw(1, 0, 20) == twice.draw(1, 0, 20)
