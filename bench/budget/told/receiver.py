"""The receiver's lines: FIFO or ring, interrupts or the loop, deafness."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.units import format_ns
from bench.budget.board.board import per_interrupt
from bench.budget.board.receiver import loop_ns
from bench.budget.line import BudgetLine
from bench.budget.response import load
from bench.budget.told.worked import MODEL
from bench.wire.format import Delimiter

if TYPE_CHECKING:
    from bench.budget.told.worked import Worked

_KEPT_UP = "characters come faster than they are taken"


def receiver_lines(node: Worked) -> list[BudgetLine]:
    """FIFO and interrupts, or the loop."""
    board, found = node.board, node.reception
    missing = "" if found.late_ns is not None else _KEPT_UP
    where = "ring" if board.spec.receive.method == "dma" else "FIFO"
    lines = [_slack(node, where, missing)]
    lines.append(
        BudgetLine(
            f"{where} filling",
            "receiver",
            "characters",
            found.held,
            found.room,
            aside=True,
            formula="group + characters in late time, over all of a busy period",
            missing=missing,
        )
    )
    if found.leaves:
        lines.append(
            BudgetLine(
                "left in the FIFO",
                "receiver",
                "characters",
                found.leaves,
                0,
                formula="filling - body limit <= 0, for what fires on a transition",
                note="nothing asks for them",
            )
        )
    return [*lines, *_cost(node), *_deaf(node)]


def _slack(node: Worked, where: str, missing: str) -> BudgetLine:
    """How late a character may be taken."""
    board, found = node.board, node.reception
    if board.polled:
        turn = format_ns(loop_ns(board))
        return BudgetLine(
            "poll interval",
            "receiver",
            "ns",
            found.late_ns,
            found.slack_ns,
            formula="pass + interrupts, and those of characters before < FIFO x pitch",
            source=MODEL,
            note=f"a turn of the loop takes {turn}",
            missing=missing,
            unbounded=bool(missing),
        )
    latency = found.latency_ns
    note = "" if latency is None else f"{format_ns(float(latency))} to the first look"
    return BudgetLine(
        f"{where} slack",
        "receiver",
        "ns",
        found.late_ns,
        found.slack_ns,
        formula="entry + masked or higher-priority stretch "
        "< (depth + 1 - trigger) x pitch",
        source=MODEL,
        note=note,
        missing=missing,
        unbounded=bool(missing),
    )


def _cost(node: Worked) -> list[BudgetLine]:
    """What receiving takes of the processor."""
    board = node.board
    name, formula = "interrupt share", "entry, exit and body of all interrupts / time"
    if board.polled:
        name, formula = "polling share", "(pass + character) / pitch + interrupts"
        share = Fraction(loop_ns(board)) / board.pitch + load(board.others())
        share += board.spec.cost.per_packet_ns / board.pace.apart_ns[0]
    else:
        share = load([*board.arrivals(), *board.others()])
    each_ns, taken = per_interrupt(board.spec)
    count = BudgetLine(
        "characters at a time",
        "receiver",
        "characters",
        taken,
        formula="trigger, or part of the ring, as far as the body takes them",
        note=f"{format_ns(float(each_ns))} a character",
    )
    return [
        BudgetLine(name, "receiver", "share", share, 1, strict=True, formula=formula),
        count,
    ]


def _deaf(node: Worked) -> list[BudgetLine]:
    """How long a polled board does not look, and what it may miss meanwhile."""
    board, course = node.board, node.course
    if not board.polled:
        return []
    name = "deaf time"
    formula = (
        "from a packet's last bit to its burst, and the longest packet where a cut one "
        "is waited for < time to the next own packet"
    )
    limit = board.pace.apart_ns[0] - board.pace.worst_ns
    if course.burst_ns is None:
        return [
            BudgetLine(
                name,
                "receiver",
                "ns",
                limit=limit,
                formula=formula,
                missing=course.why,
                unbounded=True,
            )
        ]
    kind = board.costs.format.delimiting.kind
    again = Fraction(0)
    if kind == Delimiter.MARKER:
        longest = board.costs.format.longest_stuffed(board.costs.format.layout.longest)
        again = longest * board.pitch
    taken = course.burst_ns - _pending(node)
    deaf = format_ns(float(course.deaf_ns or 0))
    if board.spec.resync == "timeout" and board.unbroken:
        missing = "it listens again after a silence, and the line has none"
        return [
            BudgetLine(
                name,
                "receiver",
                "ns",
                limit=limit,
                formula=formula,
                missing=missing,
                unbounded=True,
            )
        ]
    return [
        BudgetLine(
            name,
            "receiver",
            "ns",
            taken + again,
            limit,
            strict=True,
            formula=formula,
            note=f"deaf for {deaf} of it",
        )
    ]


def _pending(node: Worked) -> Fraction:
    """The wait for a sync, which is no work."""
    pace = node.board.pace
    return pace.sync_most_ns or Fraction(0) if node.board.spec.on_sync else Fraction(0)
