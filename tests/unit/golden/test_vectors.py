"""Golden vectors: packets that the wire takes or refuses, and what they find."""

from __future__ import annotations

import pytest
from twins import port_words_twin as twin
from unit.report.papers import NAMES, paper_profile

from bench.base.columns import Drop, Flaw
from bench.base.errors import UsageError
from bench.golden import vectors_of
from bench.golden.vectors import FOREIGN
from bench.node.golden import has_port_words, port_bits
from bench.profile import load_profile
from bench.wire.decoder import Decoder
from bench.wire.format import Delimiter, format_of
from bench.wire.states import Packet, Rejected

SINGLE = [name for name in NAMES if name != "kinds"]
"""Profiles whose nodes are of one kind."""


def heard(form, line):
    """What a receiver makes of one packet's octets on the line."""
    decoder = Decoder(form, "forward")
    if form.delimiting.kind == Delimiter.BREAK:
        decoder.flaw(0, Flaw.BREAK)
    if form.delimiting.kind == Delimiter.NINTH:
        decoder.flaw(line[0], Flaw.ADDRESS)
        line = line[1:]
    decoder.octets(line)
    decoder.finish()
    return [one for one in decoder.events() if isinstance(one, Packet | Rejected)]


@pytest.mark.parametrize("name", SINGLE)
def test_packets_are_what_they_are_said_to_be(name):
    """A receiver takes every packet that is to be shown, and says why it does not."""
    profile = paper_profile(name)
    form, vectors = format_of(profile.packet), vectors_of(profile)
    layout = form.layout
    for vector in vectors.rows:
        (event,) = heard(form, vector.line)
        if vector.refused == "bad-check":
            assert isinstance(event, Rejected)
            assert event.reason == Drop.BAD_CHECK
            continue
        assert isinstance(event, Packet)
        assert event.raw == vector.packet
        own = vector.packet[vector.at :][: vectors.node.output.payload_octets]
        if vector.own:
            assert own == vector.own
        mask = layout.mask
        known = {vectors.node.address & mask, *(one & mask for one in layout.broadcast)}
        is_own = event.address is None or event.address & mask in known
        fits = len(event.payload) == vectors.node.output.payload_octets
        if profile.packet.shared:
            fits = bool(vector.own)
        expected = None if fits else "wrong-size"
        assert vector.refused == (expected if is_own else FOREIGN)


@pytest.mark.parametrize("name", SINGLE)
def test_words_are_plain_arithmetic(name):
    """Every vector's words and lanes, by the twin; none where nothing is shown."""
    profile = paper_profile(name)
    vectors = vectors_of(profile)
    output = vectors.node.output
    for vector in vectors.rows:
        if vector.refused:
            assert vector.levels is None
            assert vector.words is None
            continue
        size = output.lane_octets
        for lane, levels in enumerate(vector.levels.tolist()):
            octets = vector.own[lane * size : (lane + 1) * size]
            expected = twin.sent(
                octets, output.lane_bits, output.bit_order, output.signal
            )
            assert levels == expected
        assert (vector.words is not None) == has_port_words(output)
        if vector.words is not None:
            expected = twin.words(
                vector.own,
                lanes=output.lanes,
                bits=output.lane_bits,
                order=output.bit_order,
                signal=output.signal,
                places=port_bits(output),
            )
            made = [int.from_bytes(one.tobytes(), "little") for one in vector.words]
            assert made == expected


@pytest.mark.parametrize("name", SINGLE)
def test_no_vector_twice(name):
    """Names differ, and no two packets are alike."""
    rows = vectors_of(paper_profile(name)).rows
    assert len({row.name for row in rows}) == len(rows)
    assert len(rows) > 15


def test_the_edges_of_a_payload_that_varies():
    """The causeway's payload is 0 to 4096 octets and 3840 fill it: all five sizes."""
    rows = {row.name: row for row in vectors_of(load_profile("causeway")).rows}
    sizes = {
        name: len(rows[name].packet) - 8
        for name in ("shortest", "octet-short", "ones", "octet-long", "longest")
    }
    assert list(sizes.values()) == [0, 3839, 3840, 3841, 4096]
    refused = [rows[name].refused for name in sizes]
    assert refused == ["wrong-size", "wrong-size", None, "wrong-size", "wrong-size"]


def test_random_ones_depend_on_their_number_alone():
    """More random payloads leave the first as they are; another seed changes them."""
    profile = load_profile("tests/links/child/profile.toml")
    few = vectors_of(profile, "upper", seed=9, random=2).rows
    many = vectors_of(profile, "upper", seed=9, random=5).rows
    other = vectors_of(profile, "upper", seed=8, random=2).rows

    def own(rows):
        return {row.name: row.own for row in rows if row.name.startswith("random")}

    assert own(few).items() <= own(many).items()
    assert len(own(many)) == 5
    assert not set(own(few).values()) & set(own(other).values())


def test_which_node():
    """A node that is not there, or one of several kinds that is not named."""
    with pytest.raises(UsageError, match="no such node: tide, expected slack-water"):
        vectors_of(load_profile("causeway"), "tide")
    profile = paper_profile("kinds")
    with pytest.raises(UsageError, match=r"which node\?, expected slack-water or ebb"):
        vectors_of(profile)
    assert vectors_of(profile, "ebb").node.output.lanes == 4


# --- what they find -------------------------------------------------------------------


def _mistakes(lanes, size):
    """Rearranging loops that are wrong in one thing: payload in, words out."""

    def made(octets, order=range(8), lane_of=lambda k: k, cut=0, clocks=8 * size):
        words = []
        for clock in range(clocks):
            word = 0
            for lane in range(lanes):
                octet = octets[lane_of(lane) * size + clock // 8]
                bit = 7 - order[clock % 8]
                if clock % 8 >= 8 - cut:
                    continue
                word |= (octet >> bit & 1) << lane
            words.append(word)
        return words

    swapped = {0: 1, 1: 0}
    yield "bits reversed", lambda p: made(p, order=range(7, -1, -1))
    yield "nibbles swapped", lambda p: made(p, order=(4, 5, 6, 7, 0, 1, 2, 3))
    yield "two lanes swapped", lambda p: made(p, lane_of=lambda k: swapped.get(k, k))
    yield "lanes reversed", lambda p: made(p, lane_of=lambda k: lanes - 1 - k)
    yield "last lane twice", lambda p: made(p, lane_of=lambda k: min(k + 1, lanes - 1))
    yield "last bit of an octet dropped", lambda p: made(p, cut=1)
    yield "last octet never sent", lambda p: [*made(p)[:-8], *[0] * 8]
    yield "last clock never sent", lambda p: [*made(p)[:-1], 0]
    yield "first clock never sent", lambda p: [0, *made(p)[1:]]
    yield "a clock late", lambda p: [0, *made(p)[:-1]]
    yield "lane 3 stuck at 0", lambda p: [word & ~8 for word in made(p)]
    yield "lane 3 stuck at 1", lambda p: [word | 8 for word in made(p)]
    yield "lane 7 left out", lambda p: [word & 0x7F for word in made(p)]
    yield "lane 5 as lane 4", lambda p: [w & ~32 | (w & 16) << 1 for w in made(p)]
    yield "nothing but zeros", lambda p: [0 for _ in made(p)]
    yield "inverted", lambda p: [word ^ (1 << lanes) - 1 for word in made(p)]
    yield "bit 16 of lane 0 lost", lambda p: _without(made(p), 16, 1)
    yield "bit 32 of lane 0 lost", lambda p: _without(made(p), 32, 1)


def _without(words, clock, bits):
    return [w & ~bits if k == clock else w for k, w in enumerate(words)]


def test_every_mistake_is_found_by_a_vector_chosen_on_purpose():
    """Loops with one mistake each fail some vector even without the random ones."""
    profile = load_profile("causeway", ["output.devices=1"])
    rows = [row for row in vectors_of(profile, random=0).rows if row.words is not None]
    names = set()
    for name, loop in _mistakes(lanes=8, size=24):
        failed = [r.name for r in rows if loop(r.own) != r.words[:, 0].tolist()]
        assert failed, name
        names.add(name)
    assert len(names) == 18


def test_a_right_loop_fails_none():
    """The same loop without a mistake agrees with every vector."""
    profile = load_profile("causeway", ["output.devices=1"])
    rows = [row for row in vectors_of(profile).rows if row.words is not None]
    for row in rows:
        made = []
        for clock in range(192):
            octets = [row.own[lane * 24 + clock // 8] for lane in range(8)]
            bits = [octet >> 7 - clock % 8 & 1 for octet in octets]
            made.append(sum(bit << lane for lane, bit in enumerate(bits)))
        assert made == row.words[:, 0].tolist()
