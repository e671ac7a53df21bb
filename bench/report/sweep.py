"""The page of a sweep: the verdict first, then a chart or a table of its points.

Made from `verdict.json`, `run.json` and the records of the points in the interval log.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.chart import OVER, SIGNS, cell_of, chart, letters_of
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.summary import kept, whereabouts

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LEAST_LABELS, _MOST_LABELS = 16, 26

_ROWS = 40
"""Points that a table lists."""

_CAUSES = 26

_UNSEEN = Piece("–", "faint")


def sweep_page(
    verdict: Content,
    run: Content,
    points: Sequence[Content],
    width: int = WIDTH,
    columns: int = 0,
) -> Page:
    """The page of a sweep.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        points: The record of each point.
        width: Columns to write sentences for.
        columns: Columns that there are for a chart; those of sentences unless stated.
    """
    axes = verdict["axes"]
    down = axes[1] if len(axes) > 1 else axes[0]
    longest = max(len(value) for value in down["values"]) + 4
    page = Page(max(_LEAST_LABELS, min(longest, _MOST_LABELS)), width)
    _verdict(page, verdict)
    page.blank()
    page.field("sweep", _swept(verdict, run))
    page.field("points", _states(verdict))
    letters = letters_of(verdict["causes"])
    over = verdict.get("over_budget") or ()

    def cell(point: Content | None) -> Piece:
        return cell_of(point, letters, over)

    page.blank()
    if len(axes) > 1:
        _chart(page, verdict, points, cell, columns or width)
    elif points:
        _table(page, points, axes[0], cell)
    _key(page, verdict, points, letters)
    _around(page, verdict, run)
    return page


def sweep_brief(
    verdict: Content,
    run: Content,
    points: Sequence[Content] = (),
    width: int = WIDTH,
    columns: int = 0,
) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    del points, columns
    page = Page(_LEAST_LABELS, width)
    page.field(verdict["verdict"], verdict["reason"], mark=_ROLES[verdict["verdict"]])
    kept(page, verdict, run)
    return page


def _verdict(page: Page, verdict: Content) -> None:
    """The verdict, and what else is to be said."""
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    label = "also"
    for text in [*verdict["failures"], *verdict["void"], *verdict["notes"]]:
        if text != verdict["reason"]:
            page.field(label, text)
            label = ""
    if verdict["signal"]:
        again = f"nightbench sweep --resume {verdict['run']}"
        page.field("stopped", f"by {verdict['signal']}; to go on with the rest:")
        page.whole("", again)


def _swept(verdict: Content, run: Content) -> str:
    """What was varied, over what, and how long each trial was."""
    parts = [run["profile"]]
    if run["point"]:
        parts[0] += " with " + ", ".join(
            f"{path} = {value}" for path, value in sorted(run["point"].items())
        )
    for axis in verdict["axes"]:
        values = axis["values"]
        ends = values[0] if len(values) == 1 else f"{values[0]} to {values[-1]}"
        log = " log" if axis["log"] else ""
        parts.append(f"{axis['name']} {ends} ({len(values)}{log})")
    if run["duration_ns"]:
        parts.append(f"{glued(format_ns(run['duration_ns'], 3))} each")
    if run["packets"]:
        parts.append(f"{format_count(run['packets'])} packets each")
    parts += [f"seed {verdict['seed']}", f"link {run['link']}"]
    return ", ".join(parts)


def _states(verdict: Content) -> str:
    """How many points there are of each state."""
    counts = {word: count for word, count in verdict["states"].items() if count}
    parts = [f"{format_count(count)} {word}" for word, count in counts.items()]
    left = verdict["size"] - sum(counts.values())
    if left:
        parts.append(f"{format_count(left)} left")
    return ", ".join(parts) or "none"


# --- points ---------------------------------------------------------------------------


def _chart(
    page: Page,
    verdict: Content,
    points: Sequence[Content],
    cell: Callable[[Content | None], Piece],
    columns: int,
) -> None:
    """A chart over two axes."""
    axes = verdict["axes"]
    text = f"{axes[0]['name']} across, {axes[1]['name']} down"
    if len(axes) > 2:
        rest = ", ".join(axis["name"] for axis in axes[2:])
        text += f"; each sign is the worst over {rest}"
    page.field("chart", text)
    chart(page, points, axes, cell, columns)


def _table(
    page: Page,
    points: Sequence[Content],
    axis: Content,
    cell: Callable[[Content | None], Piece],
) -> None:
    """A row a point."""
    heads = ("", "offered", "shown", "loss", "at most", "latency p99")
    rows = []
    for point in points[:_ROWS]:
        cells = [cell(point), *_cells(point)]
        rows.append((f"  {point['point'][axis['name']]}", cells))
    page.table(axis["name"], heads, rows)
    if len(points) > _ROWS:
        page.field("", f"and {len(points) - _ROWS} more, in points.csv")
    page.blank()


def _cells(point: Content) -> list[Piece]:
    """Figures of one point."""
    packets = point.get("packets")
    if packets is None:
        return [_UNSEEN] * 5
    latency = (point["latency_ns"] or {}).get("p99")
    return [
        _count(packets["offered"]),
        _count(packets["shown"]),
        _rate(point["loss_rate"]),
        _rate(point["loss_upper"]),
        _UNSEEN if latency is None else Piece(format_ns(latency, 3)),
    ]


def _count(count: int | None) -> Piece:
    return _UNSEEN if count is None else Piece(format_count(count))


def _rate(rate: float | None) -> Piece:
    return _UNSEEN if rate is None else Piece(f"{rate:.2g}")


def _key(
    page: Page,
    verdict: Content,
    points: Sequence[Content],
    letters: Mapping[str, str],
) -> None:
    """What the signs mean."""
    there = {point["state"] for point in points}
    label = "signs"
    for state, (sign, text, role) in SIGNS.items():
        if state in there:
            page.row(label, [Piece(sign.ljust(3), role), Piece(text)])
            label = ""
    for cause in verdict["causes"][:_CAUSES]:
        if cause["state"] != "fail":
            continue
        letter = letters[cause["cause"]]
        count = f"{format_count(cause['count'])} point{'s' * (cause['count'] != 1)}"
        first = ", ".join(cause["first"].values())
        page.field(
            label, f"{letter}{glued('  ')}{cause['cause']} ({count}, first at {first})"
        )
        label = ""
    if letters:
        text = "after a letter: tenths of the packets that were not shown as sent"
        page.field("", f"0-9 {text}")
    if verdict.get("over_budget"):
        page.field("", f"{OVER}{glued('   ')}the budget does not fit there")


def _around(page: Page, verdict: Content, run: Content) -> None:
    """The points for other programs, the ledger, and what did it."""
    page.blank()
    page.whole("points", f"{verdict['run']}/points.csv")
    whereabouts(page, verdict, run)
