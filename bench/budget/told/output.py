"""The output stage's lines: burst, clock, stop, latch, UART lanes, darkness."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.base.units import format_rate
from bench.budget.board.latency import start_ns
from bench.budget.board.output import bit_error_ns, first_extra_clock_hz, rise_ns
from bench.budget.line import BudgetLine
from bench.budget.told.worked import MODEL

if TYPE_CHECKING:
    from bench.budget.told.worked import Worked


def output_lines(node: Worked) -> list[BudgetLine]:
    """Burst, clock, latch."""
    board, stage = node.board, node.stage
    output, profiled = board.spec.output, board.node.output
    clocks = "clocks" if output.signal == "clocked" else "bits"
    missing = "" if stage.burst_ns is not None else "an interrupt has no bound"
    lines = [
        BudgetLine(
            "burst",
            "output",
            "ns",
            stage.burst_ns,
            formula="clocks x period, lanes in turn, what interrupts add",
            note=f"{output.clocks} {clocks}",
            missing=missing,
        ),
        BudgetLine(
            "output interval",
            "output",
            "ns",
            None if stage.given_back_ns is None else _interval(node),
            _between(node),
            formula="start output + burst + kept gap <= time between packets",
            missing=missing,
            unbounded=bool(missing),
        ),
        *_clock_range(node),
    ]
    if output.method == "dma" and output.signal == "clocked":
        lines += _by_dma(node)
    if output.method == "timer":
        lines += _by_timer(node)
    if output.signal == "uart":
        lines.append(_lane_error(node))
    if profiled.latch == "gap" and output.signal == "clocked":
        lines += _latch(node)
    if board.spec.blackout_ns is not None:
        lines.append(_darkness(node))
    return lines


def _interval(node: Worked) -> Fraction:
    """What the output is taken for by one packet."""
    cost, apart = node.board.spec.cost, node.course.apart
    serial = cost.rearrange_ns if cost.word_buffers == 1 else 0
    start = Fraction(cost.start_output_ns)
    if not apart:
        start = start_ns(node.board) or start
    return (node.stage.given_back_ns or Fraction(0)) + start + serial


def _between(node: Worked) -> Fraction:
    """The time that one packet has on average."""
    pace = node.board.pace
    if node.board.spec.on_sync:
        return pace.syncs_ns or pace.mean_ns
    return pace.mean_ns


def _clock_range(node: Worked) -> list[BudgetLine]:
    """The lowest clock that the frame rate allows, the highest that the stop does."""
    board, stage = node.board, node.stage
    output = board.spec.output
    unit = "Hz" if output.signal == "clocked" else "baud"
    lines = []
    if stage.given_back_ns is not None:
        turns = output.lanes if output.method == "port" else 1
        shifted = output.clocks * turns * board.period
        left = _between(node) - (_interval(node) - shifted)
        lowest = output.clocks * turns * NS_PER_S / left if left > 0 else None
        lines.append(
            BudgetLine(
                "output clock, lowest",
                "output",
                unit,
                output.clock_hz,
                lowest,
                sense="least",
                aside=True,
                formula="clocks / (time between packets - gap, start and interrupts)",
                missing="" if lowest else "no time is left for a burst",
            )
        )
    processor, profiled = board.node.processor, board.node.output
    highest = first_extra_clock_hz(processor, profiled)
    if highest is not None and stage.stop_ns:
        late = rise_ns(board) / board.period * NS_PER_S / stage.stop_ns
        lines.append(
            BudgetLine(
                "output clock, highest",
                "output",
                unit,
                output.clock_hz,
                late,
                strict=True,
                aside=True,
                formula="clock < rise share / latest stop",
                note=f"{format_rate(highest)} undisturbed",
            )
        )
    return lines


def _by_dma(node: Worked) -> list[BudgetLine]:
    """Stop, marginal band, set-up."""
    board, stage = node.board, node.stage
    output, rise = board.spec.output, rise_ns(board)
    front = -(-output.lead_ns * output.clock_hz // NS_PER_S)
    missing = "" if stage.stop_ns is not None else "an interrupt has no bound"
    lines = [
        BudgetLine(
            "stop",
            "output",
            "ns",
            stage.stop_ns,
            rise,
            strict=True,
            formula="latest stop after the last period < rise",
            source=MODEL,
            note="" if not stage.extra else f"{stage.extra} clocks too many",
            missing=missing,
            unbounded=bool(missing),
        ),
        BudgetLine(
            "set-up",
            "output",
            "ns",
            output.transfer_jitter_ns + output.setup_ns,
            min(Fraction(rise.__floor__()), board.period),
            strict=True,
            formula="transfer jitter + set-up time < rise",
            source=MODEL,
        ),
    ]
    if output.stop != "count":
        band = None if stage.stop_ns is None else stage.stop_ns + output.runt_ns
        lines.insert(
            1,
            BudgetLine(
                "marginal band",
                "output",
                "ns",
                band,
                rise - 1,
                strict=True,
                formula="latest stop + runt < rise",
                source=MODEL,
                missing=missing,
            ),
        )
    if front:
        lines.append(
            BudgetLine(
                "clocks at the front",
                "output",
                "clocks",
                front,
                0,
                formula="lead / period, rounded up, <= 0",
            )
        )
    return lines


def _by_timer(node: Worked) -> list[BudgetLine]:
    """One interrupt a bit."""
    board, stage = node.board, node.stage
    bit = board.bit
    cost_ns = bit.cost if bit is not None else 0
    missing = "" if stage.bit_wait_ns is not None else "interrupts take all the time"
    return [
        BudgetLine(
            "bit interrupt",
            "output",
            "ns",
            cost_ns,
            board.period,
            strict=True,
            formula="entry + bit + exit < period",
        ),
        BudgetLine(
            "bit wait",
            "output",
            "ns",
            stage.bit_wait_ns,
            board.period - 1,
            strict=True,
            formula="wait for other handlers and masked stretches < period",
            source="Davis, Burns, Bril and Lukkien 2007",
            missing=missing,
            unbounded=bool(missing),
        ),
    ]


def _lane_error(node: Worked) -> BudgetLine:
    """Whether the far end samples the bit that it means."""
    board, stage = node.board, node.stage
    output = board.spec.output
    jitter = Fraction(output.transfer_jitter_ns)
    if output.method == "timer":
        jitter = stage.bit_wait_ns or Fraction(0)
    lost = output.method == "timer" and stage.bit_wait_ns is None
    return BudgetLine(
        "lane bit error",
        "output",
        "ns",
        None if lost else bit_error_ns(board, jitter),
        Fraction(NS_PER_S, 2 * output.lane_hz) - 2,
        strict=True,
        formula="jitter + 10 x difference of the bit times < half a bit",
        source="common practice, no source",
        missing="interrupts take all the time" if lost else "",
    )


def _latch(node: Worked) -> list[BudgetLine]:
    """The gap both ways: long enough to latch, and no pause in a burst that does."""
    board, stage = node.board, node.stage
    output, cost = board.spec.output, board.spec.cost
    gap = output.kept_gap_ns + cost.start_output_ns + stage.first_least_ns
    lines = [
        BudgetLine(
            "latch gap",
            "output",
            "ns",
            gap,
            output.latch_gap_ns,
            sense="least",
            aside=True,
            formula="kept gap + start output + first rise >= latch gap",
            source=MODEL,
        )
    ]
    pause: Fraction | None = rise_ns(board) + 1  # up to there it was low
    if output.method == "timer":
        wait, high = stage.bit_wait_ns, cost.bit_ns - cost.bit_ns // 2
        pause = None if wait is None else board.period + wait - high
    most = board.node.output.longest_pause_ns
    limit = output.latch_gap_ns - 1 if most is None else most
    lines.append(
        BudgetLine(
            "pause in a burst",
            "output",
            "ns",
            pause,
            limit,
            formula="from fall to rise, by interrupts period + wait - high time "
            "<= longest pause that does not latch",
            missing="" if pause is not None else "interrupts take all the time",
        )
    )
    return lines


def _darkness(node: Worked) -> BudgetLine:
    """Whether packets come often enough for the lanes to stay lit."""
    board, taken = node.board, node.course.rearranged_ns
    longest = board.pace.longest_ns
    late, missing = None, ""
    if longest is None:
        missing = "nothing says when the next packet comes"
    else:
        late = longest + max(Fraction(0), taken or Fraction(0))
    return BudgetLine(
        "darkness",
        "output",
        "ns",
        late,
        board.spec.blackout_ns,
        strict=True,
        formula="longest time between packets, and to take one < blackout_after",
        missing=missing,
        unbounded=bool(missing),
    )
