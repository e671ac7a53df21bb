"""What became of octets: every loss, change and addition is found and told apart."""

from __future__ import annotations

from hashlib import shake_256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.trial.qualify.compare import IN_STEP, compare

BLOCK = shake_256(b"a block").digest(20_000)


def test_all_there():
    """Nothing is wrong with what is the same."""
    fate = compare(BLOCK, BLOCK)
    assert (fate.same, fate.changed, fate.lost, fate.added) == (len(BLOCK), 0, 0, 0)
    assert fate.first is None


@given(st.integers(0, len(BLOCK) - IN_STEP - 1))
def test_one_octet_lost_anywhere(place):
    """It is one lost, nothing changed, if enough come after it to be in step again."""
    fate = compare(BLOCK, BLOCK[:place] + BLOCK[place + 1 :])
    assert (fate.same, fate.changed, fate.lost) == (len(BLOCK) - 1, 0, 1)
    assert fate.first is not None
    assert fate.first >= place
    assert BLOCK[place : fate.first] == BLOCK[place + 1 : fate.first + 1]


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["lose", "change", "add"]),
            st.integers(0, 180),
            st.integers(1, 40),
        ),
        max_size=12,
        unique_by=lambda harm: harm[1],
    )
)
def test_every_harm_is_counted(harms):
    """Octets lost, changed and added at places 100 apart, exactly as many of each."""
    got, at = bytearray(), 0
    wanted = {"lose": 0, "change": 0, "add": 0}
    for what, place, count in sorted(harms, key=lambda harm: harm[1]):
        start = 100 * place
        got += BLOCK[at:start]
        wanted[what] += count
        at = start if what == "add" else start + count
        if what == "change":
            got += bytes(octet ^ 0x5A for octet in BLOCK[start:at])
        elif what == "add":
            got += bytes(octet ^ 0xFF for octet in BLOCK[start + 50 : start + 90])[
                :count
            ]
    got += BLOCK[at:]
    fate = compare(BLOCK, bytes(got))
    # Beside a loss an octet may agree by chance, one in 256: the sum then moves by one.
    assert abs(fate.lost - wanted["lose"]) <= len(harms)
    assert abs(fate.changed - wanted["change"]) <= len(harms)
    assert fate.added - fate.lost == wanted["add"] - wanted["lose"]
    assert fate.same + fate.changed + fate.lost == len(BLOCK)
    assert (fate.first is None) == (not harms)


def test_a_cut_tail_is_lost():
    """What never came is lost, and where that begins is told."""
    fate = compare(BLOCK, BLOCK[:-100])
    assert (fate.lost, fate.first) == (100, len(BLOCK) - 100)


@pytest.mark.parametrize("count", [4096, 10_000])
def test_a_whole_buffer_that_is_lost(count):
    """A driver that drops a buffer costs that buffer and no more."""
    fate = compare(BLOCK, BLOCK[:5000] + BLOCK[5000 + count :])
    assert (fate.lost, fate.changed, fate.added) == (count, 0, 0)


def test_nothing_in_common():
    """Garbage is changed octets, and what is left over."""
    fate = compare(BLOCK[:500], bytes(300))
    assert fate.same <= 3
    assert fate.changed + fate.lost + fate.same == 500
    assert compare(b"", b"").first is None
    assert compare(b"", b"ab").added == 2
    assert compare(b"ab", b"").lost == 2
