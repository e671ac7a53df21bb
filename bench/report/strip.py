"""The clocks of one burst, expected over seen: where a clock is too many or missing.

Each tick is a clock; the middle of the burst is left out.  What differs stands at the
end, since that is where clocks are added or left off; which of them it was, a count
cannot say.  Where the data are right all the same, clocks too many came before them:
the chains have shifted those out again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.report.page import Piece

if TYPE_CHECKING:
    from bench.report.page import Line, Role

_AT_EACH_END = 12
_MOST_APART = 9
"""Clocks too many or too few that are drawn one by one."""


def strip(expected: int, seen: int, *, intact: bool = False) -> tuple[Line, Line]:
    """Two rows of ticks, each with its count.

    Args:
        expected: Clocks that the burst should have had.
        seen: Clocks that it had.
        intact: Whether its data are right.
    """
    more = seen - expected
    apart = min(abs(more), _MOST_APART)
    plenty = "…" if abs(more) > apart else ""
    common = _ticks(min(expected, seen))
    filler = " " * (apart + len(plenty))
    count = f"{expected}".rjust(max(len(str(expected)), len(str(seen))))
    leading = intact and more > 0
    above = common + (filler if more >= 0 else "╷" * apart + plenty)
    odd = ("┃" if more > 0 else "·") * apart + plenty
    if leading:
        above, odd = filler + common, plenty + "┃" * apart
    words = f"{abs(more)} too {'many' if more > 0 else 'few'}" if more else "as many"
    role: Role = "bad" if more else "good"
    below = Piece(common), Piece(odd or filler, role)
    return (
        (Piece(above), Piece(f"  {count}")),
        (
            *(below[::-1] if leading else below),
            Piece(f"  {seen:>{len(count)}}"),
            Piece(f"  {words}", role),
        ),
    )


def _ticks(clocks: int) -> str:
    """Clocks that both have, the middle left out."""
    if clocks <= 2 * _AT_EACH_END:
        return "╷" * clocks
    ends = "╷" * _AT_EACH_END
    return f"{ends} ⋯ {ends}"
