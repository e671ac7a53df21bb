"""What came back, compared with what was sent: same, changed, lost or added octets.

The octets sent look random, so a few of them in a row occur nowhere else: after a
difference both rows are in step again where the next eight agree; the nearest such
place counts.  Of what lies before it on either side, pairs are changed octets, and what
has no partner was lost or added.  Fewer than eight octets at the end cannot be in step
again: there a loss looks like changes, and one lost.
"""

from __future__ import annotations

from dataclasses import dataclass

IN_STEP = 8
"""Octets that have to agree before both rows are taken to be in step."""

FARTHEST = 1 << 18
"""Octets that may be lost or added in one place: more than any driver holds."""

_CHANGED = 64
"""Octets that may be changed in one place; beyond, everything left is told apart."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """What became of the octets.

    Attributes:
        same: That came as they were sent.
        changed: In whose place others came.
        lost: That never came, those at the end included.
        added: That nobody sent.
        first: Place of the first difference in what was sent; None if there is none.
    """

    same: int
    changed: int
    lost: int
    added: int
    first: int | None


def compare(sent: bytes, got: bytes) -> Comparison:
    """What became of octets on their way."""
    same = changed = lost = added = 0
    at = to = 0
    first = None
    while True:
        run = _agree(sent, got, at, to)
        same, at, to = same + run, at + run, to + run
        if at == len(sent) or to == len(got):
            break
        first = at if first is None else first
        left, right = _step(sent, got, at, to)
        pairs = min(left, right)
        changed += pairs
        lost += left - pairs
        added += right - pairs
        at, to = at + left, to + right
    rest, more = len(sent) - at, len(got) - to
    if (rest or more) and first is None:
        first = at
    return Comparison(same, changed, lost + rest, added + more, first)


def _agree(sent: bytes, got: bytes, at: int, to: int) -> int:
    """How many octets agree from two places on: in growing strides, then halved.

    Strides are halved upwards, so that the first that differs stays within the next.
    """
    most = min(len(sent) - at, len(got) - to)
    agreed, size, grows = 0, IN_STEP, True
    while agreed < most:
        size = min(size, most - agreed)
        a, b = at + agreed, to + agreed
        if sent[a : a + size] == got[b : b + size]:
            agreed += size
        elif size == 1:
            break
        else:
            grows = False
        size = 2 * size if grows else (size + 1) // 2
    return agreed


def _step(sent: bytes, got: bytes, at: int, to: int) -> tuple[int, int]:
    """How many octets on either side lie before both are in step again."""
    for away in range(_CHANGED):
        places = []
        ours = sent[at + away : at + away + IN_STEP]
        theirs = got[to + away : to + away + IN_STEP]
        if len(theirs) == IN_STEP:
            found = sent.find(theirs, at, at + FARTHEST)
            places += [(found - at, away)] if found >= 0 else []
        if len(ours) == IN_STEP:
            found = got.find(ours, to, to + FARTHEST)
            places += [(away, found - to)] if found >= 0 else []
        if places:
            return min(places, key=sum)
    return len(sent) - at, len(got) - to
