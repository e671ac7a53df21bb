"""Every line of the shipped profiles beside the worst that a simulation shows of it.

Run with -s for the table.  What a simulation cannot show is said, with the reason.
"""

from __future__ import annotations

import pytest
from unit.budget.seen import (
    CROWDED,
    OF_A_LIMIT,
    SEEN,
    UNSEEN,
    Row,
    Watched,
    rows,
)

from bench.profile import shipped_profiles

NEAR = 0.1
"""How far above the worst of a trial a bound may lie, beside one interrupt."""


def told(row: Row) -> str:
    """A line's figures for a person."""
    bound = f"{row.bound:14.7g} {row.line.unit:12}"
    if row.worst is None:
        return f"{bound}   not observable: {row.why}"
    off = "" if not row.worst else f"{100 * row.off:8.2f} %"
    return f"{bound} {row.worst:14.7g} {off:10}  {row.why}".rstrip()


@pytest.mark.parametrize("name", shipped_profiles())
def test_every_line(name: str) -> None:
    """No bound is passed, and each is within a tenth, and one interrupt, of it."""
    found = rows(Watched(name))
    print(f"\n{name}: line, bound, worst seen, how far off")  # noqa: T201
    for row in found:
        print(f"  {row.line.name:22} {told(row)}")  # noqa: T201
    assert [row.line.name for row in found if not row.holds] == []
    assert [row.line.name for row in found if not row.is_tight(NEAR)] == []


def test_every_line_is_accounted_for() -> None:
    """A line is seen, or it is said why not; never both."""
    seen = {*SEEN, *CROWDED}
    assert not seen & set(UNSEEN)
    assert set(OF_A_LIMIT) <= seen
    assert not set(SEEN) & set(CROWDED)
