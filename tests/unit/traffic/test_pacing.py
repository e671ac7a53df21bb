"""When characters start: what each pacing promises."""

from __future__ import annotations

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.traffic.profiles import (
    PACKETS,
    causeway,
    character_ns,
    chunks,
    places,
    small,
)

from bench.base.columns import Flaw, To


def rows_of(profile, **ends: int) -> np.ndarray:
    """Every packet of a schedule."""
    return np.concatenate([sent.rows for _, sent in chunks(profile, **ends)])


def quiet(*overrides: str):
    """A small profile without foreign packets and without dither."""
    return small("marker", "traffic.dither=0", "traffic.foreign.share=0", *overrides)


@pytest.mark.parametrize("spread", ["even", "together"])
@pytest.mark.parametrize("pacing", ["packed", "timed"])
def test_own_packets_start_at_their_targets(pacing, spread):
    """Rounded down to the run's characters, or to a whole nanosecond."""
    overrides = ("traffic.frame_rate=300 Hz", "bus.baud=3 Mbaud")
    profile = quiet(f"traffic.pacing={pacing}", f"traffic.spread={spread}", *overrides)
    pitch = Fraction(10_000, 3)
    size = 16 + 7
    for number, row in enumerate(rows_of(profile, packets=900)):
        frame, node = divmod(number, 2)
        target = Fraction(frame * 10**9, 300)
        if spread == "even":
            target += node * Fraction(10**9, 600)
        elif node == 1:
            target += size * pitch if pacing == "packed" else Fraction(0)
        expected = floor(target // pitch * pitch) if pacing == "packed" else target
        if pacing == "timed" and spread == "together" and node == 1:
            # Not before the one before it has ended, and at a whole nanosecond.
            expected = -(-(floor(target) + size * pitch) // 1)
        assert row["start_ns"] == floor(expected)


@pytest.mark.parametrize("framing", [f for f in PACKETS if f != "silence"])
def test_a_packed_line_never_idles(framing):
    """One run after another without a gap, breaks and their marks apart."""
    profile = small(framing, "traffic.pacing=packed")
    now_ns = 0
    for line, _ in chunks(profile, 777, packets=60):
        ends = [*line.runs["first"][1:], len(line.octets)]
        breaks = places(line, Flaw.BREAK)
        for run, end in zip(line.runs, ends, strict=True):
            assert run["start_ns"] == now_ns
            broken = int(run["first"]) in breaks
            octets = int(end - run["first"])
            now_ns += 104_000 if broken else character_ns(framing) * octets


@pytest.mark.parametrize("framing", [f for f in PACKETS if f != "silence"])
def test_a_line_without_a_pad_is_filled_with_foreign_packets(framing):
    """Every character belongs to a packet; own ones are early by less than one."""
    drawn = small(framing, "traffic.pacing=packed", "traffic.dither=0")
    packet = drawn.packet.model_copy(update={"pad": None})
    rows = rows_of(drawn.model_copy(update={"packet": packet}), packets=400)
    assert rows["first"][0] == 0
    assert (rows["first"][1:] == (rows["first"] + rows["octets"])[:-1]).all()
    early_ns = np.arange(400) * 2_500_000 - rows[rows["to"] >= 0]["start_ns"]
    assert early_ns.min() >= 0
    # Characters of the shortest packet if all of it is stuffed, or a break beside it.
    shortest = {"marker": 7, "cobs": 6, "slip": 8, "hdlc": 8, "break": 5 + 11}
    shortest["ninth-bit"] = 5
    assert early_ns.max() < character_ns(framing) * (shortest[framing] + 1)


@pytest.mark.parametrize(
    ("framing", "pacing"),
    [
        (framing, pacing)
        for framing in PACKETS
        for pacing in ("packed", "timed", "flood")
        if (framing, pacing) != ("silence", "packed")
    ],
)
@pytest.mark.parametrize("share", [0.05, 0.3])
def test_foreign_packets_get_their_share(framing, pacing, share):
    """Of the line's time, break and silence included, to within two packets."""
    profile = small(
        framing, f"traffic.pacing={pacing}", f"traffic.foreign.share={share}"
    )
    rows = rows_of(profile, packets=3000)
    foreign = rows[rows["to"] == To.FOREIGN]
    after_ns = 100_000 if framing == "silence" else 0
    took_ns = (foreign["last_bit_ns"] - foreign["start_ns"] + after_ns).sum()
    longest_ns = (foreign["last_bit_ns"] - foreign["start_ns"]).max() + after_ns
    assert abs(took_ns - share * rows["last_bit_ns"][-1]) < 2 * longest_ns


def test_timed_packets_are_dithered_within_bounds():
    """By up to a share of the free time of a packet, and over all of that."""
    profile = small("marker", "traffic.dither=20 %", "traffic.foreign.share=0")
    rows = rows_of(profile, packets=4000)
    late_ns = rows["start_ns"] - np.arange(4000) * 2_500_000
    free_ns = 2_500_000 - 23 * 10_000
    assert late_ns.min() >= 0
    assert late_ns.max() <= 0.2 * free_ns
    assert late_ns.max() > 0.19 * free_ns
    assert abs(late_ns.mean() / (0.1 * free_ns) - 1) < 0.05


def test_packed_packets_are_dithered_within_bounds():
    """By up to a share of the gap before them; targets do not drift away."""
    profile = small(
        "marker",
        "traffic.dither=20 %",
        "traffic.foreign.share=0",
        "traffic.pacing=packed",
    )
    rows = rows_of(profile, packets=4000)
    late_ns = rows["start_ns"] - np.arange(4000) * 2_500_000
    gap_ns = rows["start_ns"][1:] - rows["last_bit_ns"][:-1]
    assert late_ns.min() >= -10_000
    assert (late_ns[1:] <= gap_ns * 0.2 / 1.0 + 10_000).all()
    assert late_ns.max() > 0.15 * 2_270_000


def test_spacing_of_foreign_packets_varies():
    """Pads between them are drawn, so that nothing locks to them."""
    rows = rows_of(causeway(), packets=400)
    gaps = rows["first"][1:] - (rows["first"] + rows["octets"])[:-1]
    between = gaps[(rows["to"][1:] == To.FOREIGN) & (rows["to"][:-1] == To.FOREIGN)]
    assert len(set(between.tolist())) > 100


def test_timed_foreign_packets_are_spread():
    """No two of them touch where there is time between them."""
    profile = small("marker", "traffic.foreign.share=20 %")
    rows = rows_of(profile, packets=1000)
    gaps = rows["start_ns"][1:] - rows["last_bit_ns"][:-1]
    assert gaps.min() > 100_000


def test_a_late_packet_moves_no_target():
    """A long broadcast packet delays the next own one; those after it are on time."""
    profile = quiet(
        "traffic.pacing=packed",
        "traffic.broadcast_every=10",
        "traffic.frame_rate=1600 Hz",
    )
    own = rows_of(profile, packets=2000)
    own = own[own["to"] >= 0]
    late_ns = own["start_ns"] - np.arange(2000) * 312_500
    assert late_ns.max() > 100_000
    assert (late_ns[19::20] < 10_000).all()


def test_flood_leaves_nothing_free():
    """Packet after packet, whatever the frame rate says."""
    rows = rows_of(small("marker", "traffic.pacing=flood"), packets=300)
    assert (rows["first"][1:] == (rows["first"] + rows["octets"])[:-1]).all()
    assert (rows["start_ns"][1:] == rows["last_bit_ns"][:-1]).all()


@pytest.mark.parametrize("pacing", ["timed", "flood"])
def test_silence_is_kept_after_every_packet(pacing):
    """Rounded up to a whole nanosecond, and in a flood no longer than that."""
    profile = small(
        "silence",
        f"traffic.pacing={pacing}",
        "bus.baud=3 Mbaud",
        "traffic.frame_rate=1000 Hz",
    )
    rows = rows_of(profile, packets=600)
    gaps = rows["start_ns"][1:] - rows["last_bit_ns"][:-1]
    assert gaps.min() >= 100_000
    if pacing == "flood":
        assert gaps.max() <= 100_001


def test_the_virtual_wire_s_idle_time_is_between_characters():
    """The pitch is longer; the end of a packet is that of its last character."""
    profile = quiet("bus.virtual_idle=300 ns", "traffic.pacing=flood")
    rows = rows_of(profile, packets=10)
    assert rows["start_ns"].tolist() == [k * 23 * 10_300 for k in range(10)]
    assert (rows["last_bit_ns"] == rows["start_ns"] + 23 * 10_300 - 300).all()


@given(
    most=st.integers(1, 3000),
    pacing=st.sampled_from(["packed", "timed", "flood"]),
)
@settings(max_examples=30, deadline=None)
def test_bounds_of_chunks(most, pacing):
    """Never empty, never past the bound but by one packet, until_ns never too late."""
    before_ns = 0
    for line, sent in chunks(
        small("marker", f"traffic.pacing={pacing}"), most, packets=30
    ):
        assert 0 < len(line.octets) <= max(most, 64 + 7)
        assert len(sent.rows) == 0 or sent.rows["start_ns"][0] >= 0
        assert line.runs["start_ns"][0] >= before_ns
        assert line.until_ns >= before_ns
        before_ns = line.until_ns
