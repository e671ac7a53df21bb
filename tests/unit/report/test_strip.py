"""The strip: the clocks of a burst, expected over seen."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bench.report.strip import strip


def drawn(expected: int, seen: int, *, intact: bool = False) -> list[str]:
    """The two rows as text."""
    rows = strip(expected, seen, intact=intact)
    return ["".join(piece.text for piece in row) for row in rows]


def test_one_too_many() -> None:
    """An extra clock stands at the end, in another sign, and is told in words."""
    ends = "╷" * 12
    assert drawn(3840, 3841) == [
        f"{ends} ⋯ {ends}   3840",
        f"{ends} ⋯ {ends}┃  3841  1 too many",
    ]


def test_two_too_few() -> None:
    """Clocks that are missing leave their places."""
    assert drawn(8, 6) == ["╷" * 8 + "  8", "╷" * 6 + "··  6  2 too few"]


def test_many_more() -> None:
    """More than can be drawn are counted."""
    above, below = drawn(16, 116)
    assert above == "╷" * 16 + " " * 10 + "   16"
    assert below == "╷" * 16 + "┃" * 9 + "…  116  100 too many"


def test_none_at_all() -> None:
    """A burst without a clock is drawn as what is missing."""
    assert drawn(3, 0) == ["╷╷╷  3", "···  0  3 too few"]


def test_data_are_right() -> None:
    """Extra clocks that left the data as they were came before them."""
    ends = "╷" * 12
    assert drawn(3840, 3842, intact=True) == [
        f"  {ends} ⋯ {ends}  3840",
        f"┃┃{ends} ⋯ {ends}  3842  2 too many",
    ]
    assert drawn(16, 116, intact=True)[1].startswith("…" + "┃" * 9 + "╷" * 16)
    assert drawn(8, 6, intact=True) == drawn(8, 6)


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.booleans())
def test_aligned(expected: int, seen: int, intact: bool) -> None:
    """Both rows have their counts in one column, whatever they are."""
    above, below = drawn(expected, seen, intact=intact)
    ends_at = above.rindex(str(expected)) + len(str(expected))
    if expected == seen:
        assert below == f"{above}  as many"
    else:
        assert below[:ends_at].endswith(f"{seen}")
        assert below[ends_at:] == (
            f"  {abs(seen - expected)} too {'many' if seen > expected else 'few'}"
        )
    assert len(above) < 60
