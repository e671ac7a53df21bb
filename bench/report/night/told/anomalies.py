"""Anomalies, each as a table of its fields, with what differs marked.

One of every kind and cause is told in full, with the packets that were on the line
before it; the others are listed, and beyond that counted.
"""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from bench.report.night.blocks import (
    Block,
    Cell,
    Chapter,
    Facts,
    Fold,
    Grid,
    Heading,
    Ticks,
    Words,
)
from bench.report.night.reading import (
    UNSEEN,
    clock,
    count,
    number,
    texts,
    time,
    whole,
    words,
)
from bench.report.night.told.contents import before_rows, content_rows
from bench.report.strip import strip

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.profile import Profile

    Record = Mapping[str, Any]

_IN_FULL = 12
"""Anomalies that are told in full: one of each kind and cause."""

_LISTED = 150

_MOST_CLOCKS = 1_000_000


def anomalies_chapter(
    records: Sequence[Record], profile: Profile | None, run: str
) -> Chapter | None:
    """The anomalies; None where there are none.

    Args:
        records: Of the anomaly log.
        profile: That of the run, if it can be read.
        run: The run's folder, for the command that replays one.
    """
    every = enumerate(records, start=1)
    numbered = [(k, row) for k, row in every if words(row, "kind")]
    if not numbered:
        return None
    notes = [row for _, row in numbered if "note" in row]
    told = [row for _, row in numbered if "note" not in row]
    blocks: list[Block] = [Words(_opening(told))]
    blocks += [
        Words(f"{words(row, 'kind').replace('_', ' ')}: {words(row, 'note')}.")
        for row in notes
    ]
    seen: set[tuple[str, str]] = set()
    for number_, row in numbered:
        key = words(row, "kind"), words(row, "cause")
        if "note" in row or key in seen or len(seen) >= _IN_FULL:
            continue
        seen.add(key)
        blocks += _in_full(row, number_, profile, run)
    blocks += _listed(told)
    return Chapter("anomalies", "Anomalies", blocks)


def _opening(told: Sequence[Record]) -> str:
    kinds: dict[str, int] = {}
    for row in told:
        kind = words(row, "kind").replace("_", " ")
        kinds[kind] = kinds.get(kind, 0) + 1
    counts = ", ".join(f"{count(n)} {kind}" for kind, n in kinds.items())
    return (
        f"Kept in detail: {counts}. The first of every kind and cause follows; "
        "what differs from what was sent is marked."
    )


# --- one in full ----------------------------------------------------------------------


def _in_full(
    row: Record, number_: int, profile: Profile | None, run: str
) -> list[Block]:
    """One anomaly: its fields, its clocks, what it held and what came before."""
    kind = words(row, "kind").replace("_", " ")
    ns = number(row, "ns")
    where = words(row, "node")
    place = f"{where} at {clock(ns)}" if ns is not None else where
    title = f"{kind[:1].upper()}{kind[1:]}, {place}"
    blocks: list[Block] = [Heading(title, words(row, "cause"))]
    blocks.append(Grid("Fields", ["field", "sent", "seen"], _fields(row), left=(1, 2)))
    blocks += _clocks(row)
    rows = content_rows(row, profile)
    if rows:
        heads = [
            "part of the payload",
            "octets",
            "differ",
            "sent, there",
            "seen, there",
        ]
        blocks.append(Grid("Payload, lane by lane", heads, rows, left=(1, 3, 4)))
    before = before_rows(texts(row, "before"), profile)
    if before:
        heads = ["packet before it", "octets", "address", "for", "begins with"]
        grid = Grid("On the line before it, oldest first", heads, before, left=(3, 4))
        blocks.append(Fold("Packets before it", [grid]))
    again = shlex.join(["nightbench", "replay", run, "--anomaly", str(number_)])
    blocks.append(Facts([("to see it again", again)]))
    return blocks


def _fields(row: Record) -> list[list[Cell | str]]:
    """The fields of an anomaly, sent beside seen."""
    kind = words(row, "kind")
    unknown = Cell("–", "faint")
    rows: list[list[Cell | str]] = []
    lost, stray = kind == "lost", kind == "stray"
    packet, frame = whole(row, "packet"), whole(row, "frame")
    if packet is not None:
        name = f"{packet}" + (f" of frame {frame}" if frame is not None else "")
        rows.append(["packet", name, Cell("nothing", "bad") if lost else unknown])
    sent = whole(row, "sent_ns")
    if sent is not None:
        rows.append(["first character", clock(sent), unknown])
    if latency := whole(row, "latency_ns"):
        rows.append(["latency", words(row, "cause") or "–", Cell(time(latency), "bad")])
    wanted, got = whole(row, "expected_clocks"), whole(row, "clocks")
    if wanted is not None and got is not None:
        role = Cell(count(got), "bad" if got != wanted else "")
        rows.append(["clocks in the burst", count(wanted), role])
    bits = whole(row, "bits")
    if bits is not None:
        rows.append(["bits that differ", "0", Cell(count(bits), "bad")])
    if "data_intact" in row:
        intact = {True: Cell("intact"), False: Cell("wrong", "bad")}
        seen = intact.get(row["data_intact"], Cell(UNSEEN, "open"))
        rows.append(["data", "intact", seen])
    gone = whole(row, "lost_characters")
    if gone:
        seen = Cell(f"{count(gone)}, from {whole(row, 'first_lost')} on", "bad")
        rows.append(["characters its receiver lost", "0", seen])
    if stray:
        rows.append(
            ["burst", "nothing for this node", Cell(words(row, "cause"), "bad")]
        )
    if not rows:
        rows.append(["what", "–", Cell(words(row, "cause") or kind, "bad")])
    return rows


def _clocks(row: Record) -> list[Block]:
    """The strip of a burst whose clocks are wrong."""
    wanted, got = whole(row, "expected_clocks"), whole(row, "clocks")
    if wanted is None or got is None or wanted == got:
        return []
    if not (0 <= wanted < _MOST_CLOCKS and 0 <= got < _MOST_CLOCKS):
        return []
    above, below = strip(wanted, got, intact=row.get("data_intact") is True)
    more = got - wanted
    text = f"{count(wanted)} clocks expected, {count(got)} seen: {abs(more)} too "
    text += "many" if more > 0 else "few"
    return [Ticks("Clocks of the burst", above, below, text)]


# --- the others -----------------------------------------------------------------------


def _listed(told: Sequence[Record]) -> list[Block]:
    """All of them, a row each."""
    rows = [
        [
            clock(number(row, "ns") or 0),
            words(row, "kind").replace("_", " "),
            words(row, "node"),
            Cell("–", "faint")
            if whole(row, "packet") is None
            else str(whole(row, "packet")),
            words(row, "cause") or "–",
        ]
        for row in told[:_LISTED]
    ]
    title = f"All {count(len(told))} that are kept"
    if len(told) > _LISTED:
        title = f"The first {_LISTED} of {count(len(told))} that are kept"
    heads = ["at", "what", "node", "packet", "cause"]
    return [Fold(title, [Grid(title, heads, rows, left=(1, 2, 4))])]
