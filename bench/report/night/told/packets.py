"""What became of the packets: node by node, by cause, and how long they took."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.report.night.blocks import (
    Bars,
    Block,
    Cell,
    Chapter,
    Chart,
    Facts,
    Fold,
    Grid,
    Words,
)
from bench.report.night.charts.spread import HEIGHT, spread_chart
from bench.report.night.reading import (
    UNSEEN,
    at,
    clock,
    count,
    many,
    number,
    part,
    share,
    texts,
    time,
    whole,
    words,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.profile import Profile
    from bench.report.page import Role

    Record = Mapping[str, Any]

_NODES = 64
"""Nodes that are listed; a bus has no more."""

_CAUSES = 24

_ALWAYS = ("offered", "shown", "lost", "corrupt", "stray", "late")
_IF_ANY = ("repeated", "out_of_order", "ambiguous")
_FAULTS = frozenset({"lost", "corrupt", "stray", "late", "repeated", "out_of_order"})

_TIMES = {
    "first_bit": "last bit in to first clock out",
    "shown": "last bit in to shown",
    "after_sync": "from the sync to shown",
}

_LEAST_ROWS = 3
"""Fewer steps are told in a sentence."""


def packets_chapter(verdict: Record) -> Chapter | None:
    """Counts of packets; None where the run has none."""
    total = part(verdict, "packets")
    if not total:
        return None
    nodes = many(verdict, "nodes")
    heads = [*_ALWAYS, *(word for word in _IF_ANY if whole(total, word))]
    rows = [
        [Cell(words(node, "name") or "–"), *_counts(part(node, "packets"), heads)]
        for node in nodes[:_NODES]
        if node.get("observed") is not False
    ]
    rows.append([Cell("all nodes"), *_counts(total, heads)])
    names = [head.replace("_", " ") for head in heads]
    blocks: list[Block] = [Grid("Packets, by node", ["node", *names], rows)]
    blind = [words(node, "name") for node in nodes if node.get("observed") is False]
    if blind:
        blocks.append(Words(f"Not observed: {', '.join(blind)}."))
    blocks += _bursts(verdict)
    blocks += [Words(f"{text}.") for text in texts(verdict, "notes")]
    return Chapter("packets", "Packets", blocks)


def _counts(packets: Record, heads: Sequence[str]) -> list[Cell]:
    """The cells of one row."""
    cells = []
    for head in heads:
        value = whole(packets, head)
        role: Role = "bad" if value and head in _FAULTS else ""
        cells.append(Cell("–", "faint") if value is None else Cell(count(value), role))
    return cells


def _bursts(verdict: Record) -> list[Block]:
    """Bursts, clocks and gaps."""
    bursts = part(verdict, "bursts")
    if not bursts:
        return []
    rows = [
        ("bursts seen", _some(bursts, "count")),
        ("with a wrong number of clocks", _some(bursts, "wrong_clocks")),
        ("stopped close to a clock edge", _some(bursts, "marginal")),
        ("began before the latch gap had passed", _some(bursts, "short_gaps")),
        ("least gap between bursts", _gap(bursts)),
        ("frames of which a packet is missing", _some(verdict, "dropped_frames")),
        ("characters lost by receivers", _some(verdict, "lost_characters")),
    ]
    if skew := whole(bursts, "lane_skew_ns"):
        rows.append(("last lane after the first, at most", time(skew)))
    load = number(verdict, "line", "offered_load")
    if load is not None:
        rows.append(("load of the line", share(load)))
    return [Facts(rows)]


def _some(table: Record, key: str) -> str:
    value = whole(table, key)
    if value is None:
        return UNSEEN
    return count(value) if value else "none"


def _gap(bursts: Record) -> str:
    gap = whole(bursts, "least_gap_ns")
    if gap is not None:
        return time(gap)
    return UNSEEN if whole(bursts, "short_gaps") is None else "no two bursts"


# --- losses ---------------------------------------------------------------------------


def losses_chapter(verdict: Record) -> Chapter | None:
    """What went wrong, by cause and by address; None where nothing did."""
    causes = many(verdict, "causes")
    nodes = many(verdict, "nodes")
    by_address = _by_address(nodes)
    if not causes and not by_address:
        return None
    blocks: list[Block] = []
    if first := words(verdict, "gives_first"):
        blocks.append(Words(f"Gives first: {first}."))
    if causes:
        blocks.append(_by_cause(causes))
    blocks += by_address
    return Chapter("losses", "What went wrong", blocks)


def _by_cause(causes: Sequence[Record]) -> Bars:
    rows = []
    for cause in causes[:_CAUSES]:
        what = words(cause, "what").replace("_", " ")
        name = f"{what}: {words(cause, 'cause')}" if what else words(cause, "cause")
        rows.append((name, whole(cause, "count") or 0, _first(part(cause, "first"))))
    if (left := len(causes) - _CAUSES) > 0:
        rest = sum(whole(cause, "count") or 0 for cause in causes[_CAUSES:])
        rows.append((f"{left} other causes", rest, "all in verdict.json"))
    rows.sort(key=lambda row: -row[1])
    return Bars("By cause", ("cause", "times", "first seen"), rows)


def _first(first: Record) -> str:
    """Where the earliest of them was."""
    parts = [words(first, "node")]
    ns = number(first, "ns")
    if ns is not None:
        parts.append(f"at {clock(ns)}")
    packet, frame = whole(first, "packet"), whole(first, "frame")
    if packet is not None:
        parts.append(
            f"packet {packet}" + (f" of frame {frame}" if frame is not None else "")
        )
    gone = whole(first, "lost_characters")
    if gone:
        parts.append(f"{gone} characters lost from {whole(first, 'first_lost')} on")
    return ", ".join(text for text in parts if text)


def _by_address(nodes: Sequence[Record]) -> list[Block]:
    """Which address they were for."""
    rows = []
    for node in nodes[:_NODES]:
        counts = {
            word: whole(node, "packets", word) or 0
            for word in ("lost", "corrupt", "stray", "late")
        }
        counts["wrong clocks"] = whole(node, "bursts", "wrong_clocks") or 0
        some = [f"{count(n)} {word}" for word, n in counts.items() if n]
        if some:
            address = at(node, "address")
            where = f" (address {address})" if isinstance(address, int) else ""
            name = f"{words(node, 'name')}{where}"
            rows.append((name, max(counts.values()), ", ".join(some)))
    rows.sort(key=lambda row: -row[1])
    heads = ("node", "times", "what")
    return [Bars("By address", heads, rows)] if rows else []


# --- latency --------------------------------------------------------------------------


def latency_chapter(verdict: Record, profile: Profile | None) -> Chapter | None:
    """Latency and skew; None where nothing was timed."""
    if "latency_ns" not in verdict:
        return None
    timed = {
        name: part(verdict, "latency_ns", name)
        for name in _TIMES
        if number(verdict, "latency_ns", name, "n")
    }
    if not timed:
        if not whole(verdict, "packets", "offered"):
            return None
        none = at(verdict, "latency_ns", "shown") is None
        text = f"Latency is {UNSEEN} on this link." if none else "No packet was timed."
        return Chapter("latency", "Latency", [Words(text)])
    blocks: list[Block] = []
    chart = _chart(verdict, timed, profile)
    blocks += chart
    rows = [[_TIMES[name], *_quantiles(row)] for name, row in timed.items()]
    skew = part(verdict, "skew_ns")
    if number(skew, "n"):
        rows.append(["skew of one frame over the nodes", *_quantiles(skew)])
    heads = ["from, to", "times", "half within", "99 %", "99.9 %", "longest"]
    blocks.append(Grid("Quantiles", heads, rows))
    if rule := words(verdict, "quantiles"):
        blocks.append(Words(f"Quantiles: {rule}."))
    if words(verdict, "shown_on") not in ("", "packet"):
        blocks.append(
            Words(
                "Nodes show on the sync that follows: times from a packet include the "
                "wait for it."
            )
        )
    return Chapter("latency", "Latency", blocks)


def _quantiles(row: Record) -> list[str]:
    return [
        count(whole(row, "n")),
        *(time(number(row, key), 6) for key in ("p50", "p99", "p99.9", "max")),
    ]


def _chart(
    verdict: Record, timed: Mapping[str, Record], profile: Profile | None
) -> list[Block]:
    """The distribution, drawn where there is anything to draw."""
    name = "shown" if "shown" in timed else next(iter(timed))
    rows = _spread(part(verdict, "spread_ns", name))
    if rows is None:
        return []
    first, last, counts = rows
    if len(counts) < _LEAST_ROWS:
        text = (
            f"All {count(int(counts.sum()))} times from {_TIMES[name]} lie between "
            f"{time(first[0], 6)} and {time(last[-1], 6)}."
        )
        return [Words(text)]
    quantiles = timed[name]
    marks = [
        (label, value)
        for label, key in (("half", "p50"), ("p99", "p99"), ("longest", "max"))
        if (value := number(quantiles, key)) is not None
    ]
    limit = profile.accept.latency_ns if profile is not None else None
    beside = (last[-1] - first[0]) / 2
    if limit is not None and first[0] - beside <= limit <= last[-1] + beside:
        marks.append(("limit", float(limit)))
    marks.sort(key=lambda mark: mark[1])
    figure = spread_chart(first, last, counts, marks)
    summary = (
        f"{count(int(counts.sum()))} packets, from {_TIMES[name]}: "
        + ", ".join(f"{label} {time(ns)}" for label, ns in marks)
        + "."
    )
    table = Grid(
        f"Packets by the time from {_TIMES[name]}",
        ["from", "to", "packets"],
        [
            [time(a, 6), time(b, 6), count(n)]
            for a, b, n in zip(first, last, counts, strict=True)
        ],
    )
    chart = Chart("spread", "How long packets took", summary, figure, HEIGHT)
    return [chart, Fold("The same as figures", [table])]


def _spread(spread: Record) -> tuple[Any, Any, Any] | None:
    """The columns of a distribution, if they are whole."""
    columns = []
    for key in ("first_ns", "last_ns", "count"):
        values = spread.get(key)
        if not isinstance(values, list):
            return None
        known = [number({"x": value}, "x") for value in values]
        if any(value is None for value in known):
            return None
        columns.append(np.array(known, np.float64))
    first, last, counts = columns
    if not len(first) or not len(first) == len(last) == len(counts):
        return None
    ordered = (np.diff(first) > 0).all() and (last >= first).all()
    return (first, last, counts) if ordered and (counts > 0).all() else None
