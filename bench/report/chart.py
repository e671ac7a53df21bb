"""A chart of points over two axes, in signs that say what gave way.

A point that passes is a dot.  One that fails is the letter of its cause, and a digit:
how many tenths of the packets were not shown as they were sent.  So the chart says
where the edge lies and what it is made of, without any colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.page import Piece

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Mapping, Sequence

    from bench.report.page import Page, Role

    Record = Mapping[str, Any]

SIGNS: dict[str, tuple[str, str, Role]] = {
    "pass": ("·", "pass", "good"),
    "marginal": ("~", "marginal", "open"),
    "void": ("?", "void: says nothing", "open"),
    "cannot be sent": ("–", "cannot be sent", "faint"),
    "not tried": ("/", "not tried: what comes before it failed", "open"),
    "worker died": ("!", "whoever tried it died", "bad"),
}
"""Of every state but a failure: its sign, what that means, its role."""

FAIL = "fail"

OVER = "'"
"""After the sign of a point that the budget does not fit."""

_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_OTHER = "z"
"""The last letter stands for all causes that have none of their own."""

_WORST = (*SIGNS, FAIL)
_BADNESS = {
    "pass": 0,
    "cannot be sent": 1,
    "not tried": 2,
    "void": 3,
    "worker died": 4,
    "marginal": 5,
    FAIL: 6,
}


def letters_of(causes: Sequence[Mapping[str, Any]]) -> dict[str, str]:
    """A letter for each cause of a failure, the most frequent first."""
    texts = [cause["cause"] for cause in causes if cause["state"] == FAIL]
    own = _LETTERS if len(texts) <= len(_LETTERS) else _LETTERS[:-1]
    named = dict(zip(texts, own, strict=False))
    return {text: named.get(text, _OTHER) for text in texts}


def cell_of(
    record: Record | None, letters: Mapping[str, str], over: Container[int] = ()
) -> Piece:
    """The sign of one point.

    Args:
        record: The point; None for one that was not tried yet.
        letters: Of causes.
        over: Points that the budget does not fit.
    """
    if record is None:
        return Piece(" ")
    mark = OVER if record["index"] in over else ""
    if record["state"] != FAIL:
        sign, _, role = SIGNS[record["state"]]
        return Piece(sign + mark, role)
    letter = letters.get(record["cause"], _OTHER)
    return Piece(letter + _tenths(record) + mark, "bad")


def worst_of(records: Sequence[Record]) -> Record | None:
    """The point that is the furthest from good."""
    return max(
        records,
        key=lambda one: (_BADNESS[one["state"]], one.get("loss_rate") or 0),
        default=None,
    )


def chart(
    page: Page,
    records: Sequence[Record],
    axes: Sequence[Mapping[str, Any]],
    cell: Callable[[Record | None], Piece],
    columns: int,
) -> None:
    """Write a chart over the first two axes.

    Args:
        page: Where to.
        records: The points.
        axes: Name and values of each axis.
        cell: The sign of a point.
        columns: Room for the whole page.
    """
    across, down = axes[0], axes[1]
    cells: dict[tuple[str, str], list[Record]] = {}
    for record in records:
        point = record["point"]
        cells.setdefault((point[across["name"]], point[down["name"]]), []).append(
            record
        )
    pitch = max((len(cell(record).text) for record in records), default=1) + 1
    room = max(pitch, columns - page.labels)
    values = across["values"]
    blocks = -(-len(values) // (room // pitch))
    each = -(-len(values) // blocks)
    for first in range(0, len(values), each):
        block = values[first : first + each]
        _heads(page, block, pitch, room)
        for value in down["values"]:
            points = (worst_of(cells.get((one, value), [])) for one in block)
            signs = [cell(point) for point in points]
            pieces = [Piece(text.ljust(pitch), role) for text, role in signs]
            page.row(f"  {value}", pieces)
        page.blank()


def _heads(page: Page, values: Sequence[str], pitch: int, room: int) -> None:
    """Values over their columns, as far as there is room for them, and their ticks."""
    last = len(values) - 1
    # The last one is named in any case; others leave room for it.
    last_at = max(0, min(last * pitch, room - len(values[-1])))
    heads, ticks = "", ""
    for index, value in enumerate(values):
        at = last_at if index == last else index * pitch
        fits = index == last or at + len(value) + 2 <= last_at
        if at >= len(heads) + 2 * bool(heads) and fits:
            heads = heads.ljust(at) + value
            ticks = ticks.ljust(index * pitch) + "╷"
    page.row("", [Piece(heads, "faint")])
    page.row("", [Piece(ticks, "faint")])


def _tenths(record: Record) -> str:
    """Tenths of the packets that were not shown as sent."""
    rate = record.get("loss_rate")
    return "" if rate is None else str(min(9, int(10 * rate)))
