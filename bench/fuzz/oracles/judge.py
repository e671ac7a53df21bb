"""What was seen beside what was found: the oracles, one case at a time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.fuzz.oracles.breach import NEED_HEALTH, Breach
from bench.fuzz.oracles.referee import Found, Reading, read

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.base.columns import Seen
    from bench.fuzz.attacks.laid import Laid
    from bench.link.observes import Observes

__all__ = ["judge_case"]

_SAID = frozenset(
    {
        Drop.WRONG_SIZE,
        Drop.NO_RECEIVE_BUFFER,
        Drop.NO_PORT_WORDS,
        Drop.NOT_SYNCED,
        Drop.SYNC_EARLY,
        Drop.RESET,
    }
)
"""What a node may say of a sound packet that it does not show."""


@dataclass(slots=True)
class _Row:
    """One burst, as a link saw it."""

    begin_ns: int
    first_ns: int
    end_ns: int
    shown_ns: int
    clocks: int
    marginal: int
    data: bytes
    found: int = -1  # which packet it is
    cut: bool = False


@dataclass(slots=True)
class _Trial:
    """One case, and what came of it."""

    laid: Laid
    observes: Observes
    resets: Sequence[tuple[int, int]]
    rows: list[_Row]
    reading: Reading
    said: frozenset[int]  # places of packets that the node says it did not show
    shown: dict[int, int] = field(default_factory=dict)  # packet -> row


def judge_case(
    laid: Laid,
    seen: Seen,
    observes: Observes,
    *,
    resets: Sequence[tuple[int, int]] | None = None,
    health: Sequence[str] = (),
) -> list[Breach]:
    """What must not have happened.

    Args:
        laid: The case, as it was sent.
        seen: What was seen of the nodes.
        observes: What of that the link can see; nothing else is claimed.
        resets: The resets that were made; those of the case unless stated.
        health: Why the bench did not do what it was to do: then nothing is said of what
            a late host can have caused.

    Returns:
        Breaches, in the order of the oracles' weight: what was shown wrongly first.
    """
    if not observes.shown:
        return []
    made = laid.resets if resets is None else resets
    lost = seen.lost[seen.lost["node"] == laid.node] if observes.lost else None
    places = set() if lost is None else {int(at) for at in lost["at"]}
    reading = read(laid, made, places)
    said = _said(laid, seen) if observes.dropped else frozenset[int]()
    rows = _rows(laid, seen, made)
    trial = _Trial(laid, observes, made, rows, reading, said)
    _match(trial)
    breaches = [*_wrongly(trial), *_bursts(trial), *_missing(trial)]
    if lost is not None:
        breaches += _lost(trial, lost)
    if health:
        breaches = [one for one in breaches if one.oracle not in NEED_HEALTH]
    return breaches


def _rows(laid: Laid, seen: Seen, resets: Sequence[tuple[int, int]]) -> list[_Row]:
    """The node's bursts."""
    gap_ns = laid.ground.spec.output.latch_gap_ns
    rows = []
    for row in seen.shown[seen.shown["node"] == laid.node]:
        at, octets = int(row["data_at"]), int(row["data_octets"])
        one = _Row(
            int(row["burst_ns"]),
            int(row["first_bit_ns"]),
            int(row["end_ns"]),
            int(row["shown_ns"]),
            int(row["clocks"]),
            int(row["marginal"]),
            seen.data[at : at + octets].tobytes(),
        )
        one.cut = any(
            one.begin_ns <= at_ns <= one.end_ns + gap_ns for _, at_ns in resets
        )
        rows.append(one)
    return rows


def _match(trial: _Trial) -> None:
    """Which packet each burst shows: the first in order that holds the same."""
    found = trial.reading.found
    whole = trial.laid.ground.spec.payload_octets
    after = 0
    for number, row in enumerate(trial.rows):
        for index in range(after, len(found)):
            packet = found[index]
            if trial.observes.times and packet.end_ns > row.begin_ns:
                break
            if packet.first in trial.said:
                continue
            compares = trial.observes.data and len(row.data) == whole
            if packet.fits and (not compares or packet.data == row.data):
                row.found = index
                trial.shown[index] = number
                after = index + 1
                break


# --- what was shown -------------------------------------------------------------------


def _wrongly(trial: _Trial) -> Iterator[Breach]:
    """Bursts that are no packet of this node."""
    ground = trial.laid.ground
    dark = ground.spec.dark
    for row in trial.rows:
        if row.found >= 0:
            yield from _before_sync(trial, row)
            continue
        if row.cut or (dark and row.data == dark and _may_darken(trial, row)):
            continue
        yield _named(trial, row)


def _before_sync(trial: _Trial, row: _Row) -> Iterator[Breach]:
    """A packet that waits for a sync, and is shown without one."""
    if not trial.laid.ground.spec.on_sync or not trial.observes.times:
        return
    found = trial.reading.found
    packet = found[row.found]
    syncs = [one for one in found if one.everyone and one.end_ns > packet.end_ns]
    if not any(one.end_ns <= row.begin_ns for one in syncs):
        text = "a packet was shown before its sync"
        should = "it waits for a sync"
        yield Breach("unsound", text, should, _hex(row.data), row.begin_ns)


def _may_darken(trial: _Trial, row: _Row) -> bool:
    """Whether a node that darkens its lanes may do so by then."""
    after_ns = trial.laid.ground.spec.blackout_ns or 0
    last = max(
        (one.end_ns for one in trial.reading.found if one.end_ns <= row.begin_ns),
        default=0,
    )
    return row.begin_ns >= last + after_ns - trial.laid.ground.spec.uart.character_ns


def _named(trial: _Trial, row: _Row) -> Breach:
    """What a burst that is no packet of this node is."""
    reading = trial.reading
    did = f"the lanes held {_hex(row.data)}"
    if row.data in reading.foreign:
        text = "a packet for somebody else was shown"
        return Breach("foreign", text, "nothing is shown", did, row.begin_ns)
    before = [one for one in reading.found if one.end_ns <= row.begin_ns]
    if any(one.data == row.data for one in before):
        text = "a packet was shown once more, or out of order"
        return Breach("repeated", text, "it is shown once", did, row.begin_ns)
    missing = [
        packet
        for index, packet in enumerate(reading.found)
        if index not in trial.shown and packet.end_ns <= row.begin_ns <= packet.by_ns
    ]
    if missing:
        should = f"the lanes hold {_hex(missing[0].data)}"
        return Breach(
            "data", "the lanes held something else", should, did, row.begin_ns
        )
    text = "something was shown that no sound packet for this node holds"
    return Breach("unsound", text, "nothing is shown", did, row.begin_ns)


def _bursts(trial: _Trial) -> Iterator[Breach]:
    """Clocks and gaps of every burst."""
    output, observes = trial.laid.ground.spec.output, trial.observes
    before: _Row | None = None
    for row in trial.rows:
        if row.cut:
            before = row
            continue
        if observes.clocks and row.clocks >= 0 and row.clocks != output.clocks:
            should = f"{output.clocks} clocks"
            text = "a burst had a wrong number of clocks"
            yield Breach("clocks", text, should, f"{row.clocks}", row.begin_ns)
        elif observes.marginal and row.marginal > 0:
            text = "a burst had a runt clock"
            yield Breach("clocks", text, "every clock is whole", "a runt", row.begin_ns)
        gap_ns = output.latch_gap_ns
        if observes.times and row.shown_ns < 0:
            text = "a burst was shifted through and never shown"
            yield Breach("latch", text, f"a gap of {gap_ns} ns", "less", row.end_ns)
        elif (
            observes.times
            and before is not None
            and not before.cut
            and row.first_ns - before.end_ns < gap_ns
            and output.method != "port"
        ):
            did = f"{row.first_ns - before.end_ns} ns"
            text = "the gap after a burst was too short"
            yield Breach("latch", text, f"at least {gap_ns} ns", did, before.end_ns)
        before = row


# --- what was not ---------------------------------------------------------------------


def _missing(trial: _Trial) -> Iterator[Breach]:
    """Packets that were not shown, or late."""
    musts = [index for index, one in enumerate(trial.reading.found) if one.must]
    for index, packet in enumerate(trial.reading.found):
        number = trial.shown.get(index)
        if packet.must:
            if number is None and not _shown_again(trial, packet):
                yield _not_shown(trial, packet, last=index == musts[-1])
            elif number is not None:
                yield from _late(trial, packet, trial.rows[number])
        elif number is None and trial.observes.dropped and trial.observes.times:
            known = packet.first in trial.said or (
                trial.laid.ground.spec.on_sync and packet.everyone
            )
            if not known and not _cut(trial, packet):
                text = "a sound packet was neither shown nor accounted for"
                should = "it is shown, or the node says why not"
                yield Breach("counters", text, should, "nothing", packet.end_ns)


def _said(laid: Laid, seen: Seen) -> frozenset[int]:
    """Places at which packets began that the node says it did not show."""
    dropped = seen.dropped[seen.dropped["node"] == laid.node]
    return frozenset(
        int(row["first"]) for row in dropped if int(row["reason"]) in _SAID
    )


def _cut(trial: _Trial, packet: Found) -> bool:
    """Whether a reset came while the node had the packet."""
    return any(packet.begin_ns < at_ns <= packet.by_ns for _, at_ns in trial.resets)


def _shown_again(trial: _Trial, packet: Found) -> bool:
    """Whether a burst that could be an earlier one like it is this one."""
    found = trial.reading.found
    return any(
        row.found >= 0
        and not found[row.found].must
        and found[row.found].data == packet.data
        and packet.end_ns <= row.begin_ns <= packet.by_ns
        for row in trial.rows
    )


def _not_shown(trial: _Trial, packet: Found, *, last: bool) -> Breach:
    """A packet that had to be shown, and was not."""
    oracle = "alive" if last else "recovery"
    text = "a good packet was not shown"
    if last:
        text = "the last good packet was not shown"
    elif packet.begin_ns < trial.laid.good_ns:
        text = "a sound packet amid the attack was not shown"
    should = f"the lanes hold {_hex(packet.data)}"
    return Breach(oracle, text, should, "nothing is shown", packet.end_ns)


def _late(trial: _Trial, packet: Found, row: _Row) -> Iterator[Breach]:
    """A packet that was shown too late."""
    if not trial.observes.times or row.shown_ns <= packet.by_ns:
        return
    late_ns = row.shown_ns - packet.end_ns
    should = f"at most {packet.by_ns - packet.end_ns} ns after its last character"
    yield Breach(
        "latency", "a packet was shown late", should, f"{late_ns} ns", row.shown_ns
    )


def _lost(trial: _Trial, lost) -> Iterator[Breach]:  # type: ignore[no-untyped-def]
    """Characters that a node lost though it had time for them."""
    ground = trial.laid.ground
    for row in lost:
        at_ns = int(row["ns"])
        works = ground.may_lose and any(
            one.end_ns <= at_ns <= one.end_ns + (one.waits + 1) * ground.settle_ns
            for one in trial.reading.found
        )
        if not works:
            text = "a character was lost that the node had time for"
            did = f"the character at {int(row['at'])} was lost"
            yield Breach("overrun", text, "every character gets in", did, at_ns)
            return


def _hex(data: bytes) -> str:
    """What lanes hold, the middle of very much left out."""
    if len(data) <= 32:
        return data.hex(" ").upper()
    return f"{data[:16].hex(' ').upper()} … {data[-16:].hex(' ').upper()}"
