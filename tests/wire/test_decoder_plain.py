"""The decoder against a plain one, on thousands of streams; and against itself, cut.

The plain decoder (`plain_decoder.py`) goes symbol by symbol and shares no line with
ours.
"""

from __future__ import annotations

from collections import Counter
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from wire.plain_decoder import decode
from wire.streams import (
    FRAMINGS,
    POLICIES,
    cut,
    decoded,
    joined,
    plain,
    random_format,
    random_stream,
    single,
)

from bench.base.columns import Drop

STREAMS = 600
"""Streams for each framing and policy: 12,600 in all, in a few seconds."""


@pytest.mark.parametrize("framing", FRAMINGS)
@pytest.mark.parametrize("resync", POLICIES)
def test_equal_to_the_plain_decoder(framing: str, resync: str) -> None:
    """The same events, in the same order, on packets, rubbish, flaws and gaps."""
    for seed in range(STREAMS):
        random = Random(f"{framing} {resync} {seed}")
        packet = random_format(random, framing)
        inputs = random_stream(random, packet, random.randint(1, 14))
        expected = decode(packet, resync, inputs)
        found = plain(decoded(packet, resync, inputs, ask=random.random() < 0.5))
        assert found == expected, (seed, packet, inputs)


def test_the_streams_are_worth_it() -> None:
    """They hold sound packets and every reason for which a decoder rejects one."""
    counts: Counter[str] = Counter()
    sound: Counter[str] = Counter()
    for framing in FRAMINGS:
        for seed in range(STREAMS):
            random = Random(f"{framing} rescan {seed}")
            packet = random_format(random, framing)
            inputs = random_stream(random, packet, random.randint(1, 14))
            for event in decode(packet, "rescan", inputs):
                counts[event[3] if event[0] == "rejected" else event[0]] += 1
                sound[framing] += event[0] == "packet"
    reasons = {"BAD_CHECK", "BAD_LENGTH", "BAD_LITERAL", "BAD_STUFFING", "LINE_ERROR"}
    reasons |= {"PAUSE", "TOO_SHORT", "ABORTED"}
    assert reasons <= {reason.name for reason in Drop}
    assert min(counts[name] for name in (*reasons, "packet")) >= 30, counts
    assert min(sound[framing] for framing in FRAMINGS) >= 400, sound


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(FRAMINGS),
    st.sampled_from(POLICIES),
    st.randoms(use_true_random=False),
)
def test_any_cut_gives_the_same_events(
    framing: str, resync: str, random: Random
) -> None:
    """Whole, octet by octet, and in any other pieces, asked for at any time."""
    packet = random_format(random, framing)
    inputs = random_stream(random, packet, random.randint(1, 8))
    whole = decoded(packet, resync, joined(inputs), ask=False)
    assert decoded(packet, resync, single(inputs)) == whole
    assert decoded(packet, resync, cut(random, inputs)) == whole
    assert plain(whole) == decode(packet, resync, inputs)


@settings(max_examples=200, deadline=None)
@given(
    st.sampled_from(FRAMINGS),
    st.sampled_from(POLICIES),
    st.randoms(use_true_random=False),
)
def test_events_hang_together(framing: str, resync: str, random: Random) -> None:
    """Each packet and each rejection has begun; sound packets do not overlap."""
    packet = random_format(random, framing)
    inputs = random_stream(random, packet, random.randint(1, 10))
    begun: list[int] = []
    told: list[int] = []
    free_from = 0
    for what, at, *rest in plain(decoded(packet, resync, inputs)):
        if what == "begun":
            assert not begun or at > begun[-1]
            begun.append(at)
            continue
        assert at in begun
        assert at not in told
        told.append(at)
        assert rest[0] > at
        if what == "packet":
            assert at >= free_from
            free_from = rest[0]
