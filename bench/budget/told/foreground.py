"""The foreground's lines: rearranging, buffers, what is left; and latency."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.units import format_ns, format_share
from bench.budget.line import BudgetLine
from bench.budget.response import load
from bench.budget.told.worked import RTA

if TYPE_CHECKING:
    from bench.budget.board.board import Board
    from bench.budget.told.worked import Worked
    from bench.profile.model import Profile


def foreground_lines(node: Worked) -> list[BudgetLine]:
    """Rearranging, its buffers, and what is left idle."""
    board, course = node.board, node.course
    cost, pace = board.spec.cost, board.pace
    alone = format_ns(cost.rearrange_ns)
    buffers = min(cost.receive_buffers, len(pace.apart_ns))
    held = None
    if course.rearranged_ns is not None:
        held = course.rearranged_ns + pace.worst_ns
    lines = [
        BudgetLine(
            "rearranged",
            "foreground",
            "ns",
            course.rearranged_ns,
            _sync_limit(node),
            formula="last bit in to rearranged, stretched by interrupts",
            source=RTA,
            note=f"{alone} alone" + ("" if course.apart else "; packets queue"),
            missing=course.why,
            unbounded=bool(course.why),
        ),
        BudgetLine(
            "receive buffers",
            "foreground",
            "ns",
            held,
            pace.apart_ns[buffers - 1],
            formula="packet + rearranged <= time to the packet that needs it again",
            note=f"{cost.receive_buffers} of them",
            missing=course.why,
            unbounded=bool(course.why),
        ),
    ]
    work = Fraction(cost.rearrange_ns + cost.start_output_ns) / pace.mean_ns
    busy = _received(board) + _others(node)
    lines.append(
        BudgetLine(
            "processor load",
            "foreground",
            "share",
            busy + work,
            1,
            aside=busy >= 1,
            formula="interrupts of the characters that come and of one burst a packet "
            "+ (rearrange + start output) / time between packets",
            note=f"{format_share(max(0.0, float(1 - busy - work)), 3)} idle",
        )
    )
    return [*lines, *_words_free(node), *_sync(node)]


def _received(board: Board) -> Fraction:
    """The share that receiving takes in the long run; less than while it goes on."""
    cost = board.spec.cost
    if board.polled:  # the loop takes what is left
        found = board.carried * Fraction(cost.per_character_ns) / board.pitch
        return found + Fraction(cost.per_packet_ns) / board.pace.mean_ns
    tasks = board.arrivals()
    whole = [task for task in tasks if task.name not in ("characters", "handlers")]
    return board.carried * (load(tasks) - load(whole)) + load(whole)


def _others(node: Worked) -> Fraction:
    """The share of interrupts but the receiver's: those of one burst for each packet.

    With dark bursts between them, as if one always ran.
    """
    board = node.board
    output, each = board.spec.output, load(board.others())
    if board.spec.blackout_ns is not None:
        return each
    counts = {"bit": output.clocks, "complete": 1}
    if output.method == "port":
        counts["complete"] = output.lanes
    cost = sum(Fraction(task.cost) * counts[task.name] for task in board.others())
    return min(each, cost / board.pace.mean_ns)


def _sync_limit(node: Worked) -> Fraction | None:
    """The time in which a packet must be ready for its sync."""
    if not node.board.spec.on_sync or node.board.pace.sync_ns is None:
        return None
    return node.board.pace.sync_ns - node.board.early_ns


def _words_free(node: Worked) -> list[BudgetLine]:
    """Port-word buffers, where a packet that finds none is dropped."""
    board, course = node.board, node.course
    cost, pace = board.spec.cost, board.pace
    if not cost.drop_without_words or course.free_ns is None:
        return []
    buffers = min(cost.word_buffers, len(pace.apart_ns))
    return [
        BudgetLine(
            "port-word buffers",
            "foreground",
            "ns",
            course.free_ns,
            pace.apart_ns[buffers - 1] - board.early_ns,
            formula="last bit in to given back <= time to the packet that needs it",
            note=f"{cost.word_buffers} of them",
        )
    ]


def _sync(node: Worked) -> list[BudgetLine]:
    """Frames for each sync: a packet that is held gives way to the next."""
    if not node.board.spec.on_sync:
        return []
    every = node.board.costs.every
    formula = "frames from one sync to the next <= 1"
    if not every:
        why = "no sync is sent: traffic.broadcast_every"
        return [
            BudgetLine("sync", "foreground", "frames", formula=formula, missing=why)
        ]
    return [BudgetLine("sync", "foreground", "frames", every, 1, formula=formula)]


# --- latency --------------------------------------------------------------------------


def latency_lines(profile: Profile, node: Worked) -> list[BudgetLine]:
    """Last bit in to first bit, and to shown, best and worst."""
    course = node.course
    first = BudgetLine(
        "first bit out",
        "latency",
        "ns",
        course.first_ns,
        formula="receiver + rearrange + start output + first rise",
        source="RFC 1242, store and forward",
        missing=course.why,
        unbounded=bool(course.why),
    )
    best = course.best_ns
    note = "" if best is None else f"{format_ns(float(best))} at best"
    shown = BudgetLine(
        "shown",
        "latency",
        "ns",
        course.shown_ns,
        profile.accept.latency_ns,
        formula="receiver + rearrange + start output + burst + latch gap",
        source=RTA,
        note=note,
        missing=course.why,
        unbounded=bool(course.why),
    )
    return [first, shown]
