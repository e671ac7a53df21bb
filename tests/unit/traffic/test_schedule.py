"""The schedule: what it promises of every profile."""

from __future__ import annotations

import json
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from unit.traffic.profiles import (
    PACKETS,
    SMALL,
    causeway,
    character_ns,
    chunks,
    places,
    shared,
    small,
)

from bench.base.columns import Flaw, To
from bench.profile.load import load_profile, parse_profile
from bench.traffic.schedule import Schedule, schedule_digest
from bench.wire.decoder import Decoder
from bench.wire.format import format_of
from bench.wire.packets import build, encode
from bench.wire.states import Packet, Rejected

PACINGS = ("packed", "timed", "flood")
SENDABLE = [
    (framing, pacing)
    for framing in PACKETS
    for pacing in PACINGS
    if (framing, pacing) != ("silence", "packed")
]
GOLDEN = json.loads(Path(__file__).with_name("golden.json").read_text())


@pytest.mark.parametrize(("framing", "pacing"), SENDABLE)
def test_golden_digests(framing, pacing):
    """The same schedule on every machine, for good: a changed one is a new schedule."""
    profile = small(framing, f"traffic.pacing={pacing}")
    assert schedule_digest(profile, 7, 40) == GOLDEN[f"{framing} {pacing}"]


@pytest.mark.parametrize("pacing", PACINGS)
def test_golden_digest_of_the_causeway(pacing):
    """The shipped example as well, in every pacing."""
    profile = causeway(f"traffic.pacing={pacing}")
    assert schedule_digest(profile, 7, 40) == GOLDEN[f"causeway {pacing}"]


@pytest.mark.parametrize("name", ["dmx512", "modbus-rtu"])
def test_golden_digest_of_the_standards(name):
    """One packet for all nodes after a break, and packets that a silence ends."""
    assert schedule_digest(load_profile(name), 7, 40) == GOLDEN[name]


def test_digest_depends_on_the_seed():
    """And on nothing that is not stated."""
    digests = {schedule_digest(small(), seed, 20) for seed in (0, 1, -1, 2**63)}
    assert len(digests) == 4
    assert schedule_digest(small(), 1, 20) == schedule_digest(small(), 1, 20)


def test_points_share_their_random_numbers():
    """Another baud, another rate: the payloads stay the same."""
    payloads = {
        overrides: b"".join(
            sent.payload.tobytes()
            for _, sent in chunks(small("marker", *overrides), packets=30)
        )
        for overrides in ((), ("bus.baud=2 Mbaud",), ("traffic.frame_rate=100 Hz",))
    }
    assert len(set(payloads.values())) == 1


@pytest.mark.parametrize(("framing", "pacing"), SENDABLE)
def test_a_decoder_finds_every_packet(framing, pacing):
    """What is sent is what a receiver of the format finds, foreign packets too."""
    profile = small(framing, f"traffic.pacing={pacing}", "traffic.broadcast_every=3")
    format_ = format_of(profile.packet)
    decoder = Decoder(format_, "forward")
    rows, payloads, end_ns = [], [], None
    for line, sent in chunks(profile, 500, packets=60):
        rows += list(sent.rows)
        payloads.append(sent.payload.tobytes())
        end_ns = _feed(decoder, line, end_ns, character_ns(framing))
    decoder.finish()
    events = list(decoder.events())
    assert not [event for event in events if isinstance(event, Rejected)]
    found = [event for event in events if isinstance(event, Packet)]
    assert [event.address for event in found] == [row["address"] for row in rows]
    own = [
        e.payload for e, row in zip(found, rows, strict=True) if row["payload_at"] >= 0
    ]
    assert b"".join(own) == b"".join(payloads)


def _feed(decoder: Decoder, line, end_ns: int | None, pitch_ns: int) -> int:
    """A chunk of the line, run by run; returns when it is idle again."""
    ends = [*line.runs["first"][1:], len(line.octets)]
    breaks = {int(flaw["at"]): int(flaw["length_ns"]) for flaw in line.flaws}
    marks = places(line, Flaw.ADDRESS)
    for run, end in zip(line.runs, ends, strict=True):
        first, start_ns = int(run["first"]), int(run["start_ns"])
        if end_ns is not None and start_ns > end_ns:
            decoder.gap(start_ns - end_ns)
        if breaks.get(first):
            decoder.flaw(0, Flaw.BREAK)
            end_ns = start_ns + breaks[first]
            continue
        end_ns = start_ns + pitch_ns * (int(end) - first)
        for at in [at for at in marks if first <= at < end]:
            decoder.octets(line.octets[first:at])
            decoder.flaw(int(line.octets[at]), Flaw.ADDRESS)
            first = at + 1
        decoder.octets(line.octets[first : int(end)])
    return end_ns


@pytest.mark.parametrize("framing", PACKETS)
def test_own_packets_are_as_the_wire_defines_them(framing):
    """Built and encoded in plain Python: the same octets on the line."""
    profile = small(framing, "traffic.pacing=flood", "traffic.foreign.share=0")
    format_ = format_of(profile.packet)
    ((line, sent),) = chunks(profile, packets=20)
    broken = framing == "break"
    for number, row in enumerate(sent.rows):
        at = row["payload_at"]
        payload = bytes(sent.payload[at : at + row["payload_octets"]])
        address = int(row["address"])
        packet = build(format_, address=address, payload=payload, sequence=number // 2)
        first = row["first"] + broken
        assert bytes(line.octets[first : row["first"] + row["octets"]]) == encode(
            format_, packet
        )


@pytest.mark.parametrize("pacing", ["timed", "flood"])
@pytest.mark.parametrize("framing", ["break", "ninth-bit"])
def test_the_last_packet_ends(framing, pacing):
    """Where only the next packet ends one, something that begins another comes last."""
    profile = small(framing, f"traffic.pacing={pacing}")
    fields = tuple(field for field in profile.packet.fields if field.kind != "length")
    packet = profile.packet.model_copy(update={"fields": fields, "pad": None})
    profile = profile.model_copy(update={"packet": packet})
    decoder = Decoder(format_of(packet), "forward")
    rows, end_ns = [], None
    for line, sent in chunks(profile, 90, packets=10):
        end_ns = _feed(decoder, line, end_ns, character_ns(framing))
        rows += list(sent.rows)
        end = line.first + len(line.octets)
    # Nothing is told of the end of the line: `finish` is not called.
    found = [event for event in decoder.events() if isinstance(event, Packet)]
    assert len(found) == len(rows) >= 10
    assert end == rows[-1]["first"] + rows[-1]["octets"] + 1
    assert Schedule(profile, seed=1, packets=0).take(100) is None


@pytest.mark.parametrize("pacing", PACINGS)
def test_the_address_of_every_packet_is_marked(pacing):
    """Its ninth bit is set; that of a pad and of every other octet is not."""
    profile = small("ninth-bit", f"traffic.pacing={pacing}")
    for line, sent in chunks(profile, packets=40):
        firsts = (sent.rows["first"] - line.first).tolist()
        assert places(line, Flaw.ADDRESS) == firsts
        assert len(line.flaws) == len(firsts) > 0
        assert (line.octets[firsts] == sent.rows["address"]).all()


def test_rows_describe_the_frames():
    """One own packet a node and frame, in order; a broadcast after every second."""
    profile = small("marker", "traffic.broadcast_every=2")
    ((_, sent),) = chunks(profile, packets=8)
    rows = [row for row in sent.rows if row["to"] != To.FOREIGN]
    assert [(int(row["frame"]), int(row["to"])) for row in rows] == [
        (0, 0), (0, 1), (1, 0), (1, 1), (1, To.EVERY_NODE),
        (2, 0), (2, 1), (3, 0), (3, 1), (3, To.EVERY_NODE),
    ]  # fmt: skip
    assert [int(row["address"]) for row in rows[:5]] == [1, 2, 1, 2, 255]
    foreign = [row for row in sent.rows if row["to"] == To.FOREIGN]
    assert foreign
    assert all(row["frame"] == row["payload_at"] == -1 for row in foreign)
    assert [int(row["packet"]) for row in sent.rows] == list(range(len(sent.rows)))


@pytest.mark.parametrize("pattern", ["random", "ramp", "walking-one", "prbs15"])
def test_one_packet_for_all_carries_what_own_packets_would(pattern):
    """Each node's octets at its address, zeros elsewhere; one packet a frame."""
    override = f"traffic.pattern={pattern}"
    ((_, sent),) = chunks(shared("cobs", override), packets=30)
    rows = sent.rows
    assert (rows["to"] == To.EVERY_NODE).all()
    assert (rows["address"] == -1).all()
    assert rows["frame"].tolist() == list(range(30))
    assert (rows["payload_octets"] == 36).all()
    assert rows["payload_at"].tolist() == list(range(0, 36 * 30, 36))
    whole = sent.payload.reshape(30, 36)
    assert not whole[:, 16:20].any()
    alone = small("cobs", override, "traffic.foreign.share=0")
    ((_, apart),) = chunks(alone, packets=60)
    own = apart.payload.reshape(30, 2, 16)
    assert (whole[:, :16] == own[:, 0]).all()
    assert (whole[:, 20:] == own[:, 1]).all()


@pytest.mark.parametrize("pacing", PACINGS)
@pytest.mark.parametrize("framing", ["marker", "cobs", "break"])
def test_a_decoder_finds_every_packet_for_all(framing, pacing):
    """A packet a frame, numbered if the format numbers them; targets are frames'."""
    profile = shared(framing, f"traffic.pacing={pacing}", "traffic.dither=0")
    decoder = Decoder(format_of(profile.packet), "forward")
    payloads, starts, end_ns = [], [], None
    for line, sent in chunks(profile, 200, packets=20):
        payloads.append(sent.payload.tobytes())
        starts += sent.rows["start_ns"].tolist()
        end_ns = _feed(decoder, line, end_ns, 10_000)
    decoder.finish()
    found = [event for event in decoder.events() if isinstance(event, Packet)]
    assert b"".join(event.payload for event in found) == b"".join(payloads)
    numbers = range(20) if framing == "cobs" else [None] * 20
    assert [event.sequence for event in found] == list(numbers)
    if pacing == "timed":
        assert starts == [frame * 5_000_000 for frame in range(20)]


def test_a_sync_packet_carries_nothing():
    """Where nodes show on a broadcast, no node is to show what is in it."""
    profile = small("marker", "traffic.broadcast_every=1", "processor.show=sync")
    ((_, sent),) = chunks(profile, packets=6)
    syncs = sent.rows[sent.rows["to"] == To.EVERY_NODE]
    assert len(syncs) == 3
    assert (syncs["payload_octets"] == 0).all()
    assert (syncs["payload_at"] == -1).all()
    assert sent.rows[-1]["to"] == To.EVERY_NODE  # it shows the last frame


def test_sequence_counts_packets_to_each_address():
    """Also those of foreign addresses; it wraps round at the field's size."""
    profile = small("cobs", "traffic.pacing=flood")
    format_ = format_of(profile.packet)
    seen: dict[int, int] = {}
    for line, sent in chunks(profile, packets=600):
        decoder = Decoder(format_, "forward")
        decoder.octets(line.octets)
        decoder.finish()
        found = [event for event in decoder.events() if isinstance(event, Packet)]
        assert len(found) == len(sent.rows)
        for event in found:
            address = event.address
            assert event.sequence == seen.get(address, 0) % 256
            seen[address] = seen.get(address, 0) + 1
    assert seen[1] == seen[2] == 300
    assert seen[17] > 0 < seen[18]


def test_foreign_payloads_are_within_dither_of_their_lengths():
    """Lengths of 4 and 20 octets, varied by up to half; addresses of the list."""
    profile = small("marker", "traffic.dither=50 %", "traffic.pacing=flood")
    rows = np.concatenate([sent.rows for _, sent in chunks(profile, packets=4000)])
    foreign = rows[rows["to"] == To.FOREIGN]
    sizes = set(foreign["payload_octets"].tolist())
    assert sizes == {*range(2, 7), *range(10, 31)}
    assert set(foreign["address"].tolist()) == {17, 18}
    own = rows[rows["to"] >= 0]
    assert set(own["payload_octets"].tolist()) == {16}


def test_foreign_addresses_are_everybody_else_s_unless_stated():
    """Under a mask, no address that a node or a broadcast answers to."""
    profile = small("marker", "traffic.pacing=flood", "traffic.foreign.share=50 %")
    foreign = profile.traffic.foreign.model_copy(update={"addresses": ()})
    traffic = profile.traffic.model_copy(update={"foreign": foreign})
    fields = tuple(
        field.model_copy(update={"mask": 0x0F}) if field.kind == "address" else field
        for field in profile.packet.fields
    )
    packet = profile.packet.model_copy(update={"fields": fields})
    profile = profile.model_copy(update={"traffic": traffic, "packet": packet})
    rows = np.concatenate([sent.rows for _, sent in chunks(profile, packets=9000)])
    drawn = set(rows[rows["to"] == To.FOREIGN]["address"].tolist())
    assert drawn == {a for a in range(256) if a & 0x0F not in (0x1, 0x2, 0xF)}


def test_wide_addresses_are_drawn_from_all_of_them():
    """Four octets of address: none is a node's, and they are spread out."""
    wide = PACKETS["marker"].replace("size = 1, broadcast", "size = 4, broadcast")
    text = SMALL.format(packet=wide).replace("addresses = [17, 18], ", "")
    profile = parse_profile(
        text, ["traffic.pacing=flood", "traffic.foreign.share=50 %"]
    )
    rows = np.concatenate([sent.rows for _, sent in chunks(profile, packets=2000)])
    drawn = rows[rows["to"] == To.FOREIGN]["address"]
    assert not set(drawn.tolist()) & {1, 2, 255}
    assert len(set((drawn >> 24).tolist())) > 250


@pytest.mark.parametrize("ends", [{"packets": 0}, {"duration_ns": 0}])
def test_nothing_is_sent_for_nothing(ends):
    """No packets, or no time."""
    assert Schedule(small(), seed=1, **ends).take(100) is None


def test_a_schedule_without_an_end_goes_on():
    """As long as it is asked; and after an end there is nothing more."""
    schedule = Schedule(small(), seed=1)
    assert all(schedule.take(1000) is not None for _ in range(100))
    ended = Schedule(small(), seed=1, packets=1)
    assert ended.take(1000) is not None
    assert ended.take(1000) is None
    assert ended.take(1000) is None


def test_a_chunk_needs_room():
    """For one character at least."""
    with pytest.raises(ValueError, match="a chunk of 0 characters"):
        Schedule(small(), seed=1).take(0)


def test_chunks_are_apart_in_memory():
    """What was taken is not written to again."""
    schedule = Schedule(small(), seed=1)
    line, sent = schedule.take(1000)
    before = line.octets.tobytes(), sent.rows.tobytes(), sent.payload.tobytes()
    for _ in range(5):
        schedule.take(1000)
    assert before == (
        line.octets.tobytes(),
        sent.rows.tobytes(),
        sent.payload.tobytes(),
    )


def test_more_short_packets_than_a_chunk_has_room_for_end_it():
    """A great many of the shortest packets: every one comes, in its order."""
    profile = small("marker", "traffic.pacing=flood", "traffic.foreign.share=90 %")
    foreign = profile.traffic.foreign.model_copy(update={"lengths": (0,)})
    traffic = profile.traffic.model_copy(update={"foreign": foreign})
    profile = profile.model_copy(update={"traffic": traffic})
    whole = list(chunks(profile, 1 << 16, packets=2000))
    assert len(whole) > 1
    numbers = np.concatenate([sent.rows["packet"] for _, sent in whole])
    assert np.array_equal(numbers, np.arange(len(numbers)))
    for (line, _), (after, _) in pairwise(whole):
        assert after.first == line.first + len(line.octets)


@pytest.mark.parametrize("pacing", ["packed", "timed"])
def test_times_stay_exact_past_eight_hours(pacing):
    """At 9600 baud, where no character takes a whole number of nanoseconds."""
    overrides = ("bus.baud=9600", "traffic.frame_rate=7 Hz", f"traffic.pacing={pacing}")
    profile = small("marker", "traffic.dither=0", "traffic.foreign.share=0", *overrides)
    pitch = Fraction(10**10, 9600)
    duration_ns = 8 * 3600 * 10**9 + 10**9
    number = 0
    for _, sent in chunks(profile, 1 << 20, duration_ns=duration_ns):
        row = sent.rows[-1]
        number += len(sent.rows)
        target = Fraction((number - 1) * 10**9, 14)
        start = target // pitch * pitch if pacing == "packed" else Fraction(target // 1)
        assert row["start_ns"] == start // 1
        assert row["last_bit_ns"] == (start + 23 * pitch) // 1
    assert number == 14 * (8 * 3600 + 1)


def test_memory_that_was_given_back_is_used_again():
    """A chunk written where another was is the chunk it would have been."""
    kept, reused = Schedule(small(), seed=1), Schedule(small(), seed=1)
    places = set()
    for _ in range(20):
        line, sent = kept.take(1000)
        again, sent_again = reused.take(1000)
        assert np.array_equal(again.octets, line.octets)
        assert np.array_equal(again.runs, line.runs)
        assert np.array_equal(sent_again.rows, sent.rows)
        assert np.array_equal(sent_again.payload, sent.payload)
        places.add(again.octets.ctypes.data)
        reused.give_back(again, sent_again)
    assert len(places) == 1
