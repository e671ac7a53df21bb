"""What was before lost packets is found where it is no chance, and only there."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import fisher_exact

from bench.link.sight.replies.before import Before, fisher

MS = 1_000_000

FOREIGN, NOISE = "a packet for another address", "a stray octet"


def own(before: Before, at_ms: float, lost: bool) -> None:
    """A good packet began."""
    before.own(round(at_ms * MS), lost)


def test_deaf_for_a_while():
    """All packets within half a second are lost, whatever their number: so it says."""
    before, at_ms = Before(), 0.0
    for _ in range(20):
        at_ms += 1000
        before.other(FOREIGN, round(at_ms * MS))
        for k in range(12):
            own(before, at_ms + 30 + 50 * k, lost=30 + 50 * k < 500)
    (found,) = before.findings()
    assert (found.lost, found.of, found.others_lost, found.others) == (200, 200, 0, 40)
    assert (found.within_ns, found.heard_ns) == (480 * MS, 530 * MS)
    assert not found.next_only
    assert str(found) == (
        "deaf for about 0.51 s after a packet for another address: 200 of 200 lost "
        "within 0.48 s, 0 of 40 others"
    )


def test_deaf_to_the_next():
    """Only the next packet is lost, however late it comes."""
    before, at_ms, draw = Before(), 0.0, Random(1)
    for _ in range(30):
        at_ms += 1000
        before.other(NOISE, round(at_ms * MS))
        own(before, at_ms + draw.uniform(1, 400), lost=True)
        own(before, at_ms + 500, lost=False)
        own(before, at_ms + 700, lost=False)
    (found,) = before.findings()
    assert (found.lost, found.of, found.others_lost, found.others) == (30, 30, 0, 60)
    assert found.next_only
    assert found.within_ns is None
    assert str(found) == (
        "deaf to the packet after a stray octet: 30 of 30 lost, 0 of 60 others"
    )


def test_deaf_to_the_next_for_a_while():
    """Only the next packet, and only if it comes soon: both conditions are told."""
    before, at_ms, draw = Before(), 0.0, Random(2)
    for _ in range(60):
        at_ms += 2000
        before.other(FOREIGN, round(at_ms * MS))
        after_ms = draw.uniform(10, 900)
        own(before, at_ms + after_ms, lost=after_ms < 500)
        for k in range(4):
            own(before, at_ms + after_ms + 20 + 20 * k, lost=False)
    (found,) = before.findings()
    assert found.next_only
    assert found.lost == found.of
    assert found.within_ns is not None
    assert 400 * MS < found.within_ns < 500 * MS < found.heard_ns < 600 * MS
    assert found.others_lost == 0


def test_two_causes():
    """Two things that cost packets are both found, each with its own counts."""
    before, at_ms = Before(), 0.0
    for _ in range(20):
        at_ms += 2000
        before.other(FOREIGN, round(at_ms * MS))
        for k in range(6):
            own(before, at_ms + 40 + 100 * k, lost=k < 3)
        before.other(NOISE, round((at_ms + 1000) * MS))
        for k in range(6):
            own(before, at_ms + 1040 + 100 * k, lost=k == 0)
    found = {one.kind: one for one in before.findings()}
    assert (found[FOREIGN].lost, found[FOREIGN].of) == (60, 60)
    assert found[FOREIGN].within_ns == 240 * MS
    assert (found[NOISE].lost, found[NOISE].of) == (20, 20)
    assert found[NOISE].others_lost == 0


def test_now_and_then():
    """A packet that is often lost after something, not always, is told all the same."""
    before, at_ms, draw = Before(), 0.0, Random(3)
    losses = [draw.random() < 0.4 for _ in range(100)]
    for lost in losses:
        at_ms += 1000
        before.other(NOISE, round(at_ms * MS))
        own(before, at_ms + 20, lost)
        for k in range(5):
            own(before, at_ms + 120 + 100 * k, lost=False)
    (found,) = before.findings()
    assert found.kind == NOISE
    assert (found.lost, found.of) == (sum(losses), 100)
    assert found.others_lost == 0


@pytest.mark.parametrize("seed", range(12))
def test_no_false_alarm(seed):
    """Packets that are lost at random, whatever was before, are no finding."""
    before, at_ms, draw = Before(), 0.0, Random(seed)
    for _ in range(400):
        at_ms += draw.uniform(20, 200)
        for kind in (FOREIGN, NOISE, "a packet with a bad check"):
            if draw.random() < 0.3:
                before.other(kind, round((at_ms - 10) * MS))
        own(before, at_ms, lost=draw.random() < 0.1)
    assert before.findings() == []


def test_few_are_no_finding():
    """Three packets that were lost after something three times may be chance."""
    before = Before()
    for k in range(30):
        if k in (3, 13, 23):
            before.other(NOISE, (100 * k - 50) * MS)
        own(before, 100 * k, lost=k in (3, 13, 23))
    assert before.findings() == []


def test_all_lost_is_no_finding():
    """A node that is not there says nothing of what was before."""
    before = Before()
    for k in range(100):
        before.other(FOREIGN, (100 * k - 50) * MS)
        own(before, 100 * k, lost=True)
    assert before.findings() == []


@given(st.integers(0, 40), st.integers(0, 40), st.integers(0, 40), st.integers(0, 40))
def test_exact(lost, kept, others_lost, others_kept):
    """The chance is that of Fisher's exact test as scipy has it, one-sided."""
    table = [[lost, kept], [others_lost, others_kept]]
    expected = fisher_exact(table, alternative="greater").pvalue
    found = fisher(lost, lost + kept, others_lost, others_lost + others_kept)
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-300)
