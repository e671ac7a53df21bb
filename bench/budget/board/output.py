"""The output stage: how long a burst lasts, and whether its clock stops in time.

Formulas are those of `bench/node/MODEL.md`, section Output, each at its worst.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.budget.board.receiver import wait_of

if TYPE_CHECKING:
    from bench.budget.board.board import Board
    from bench.profile.model import Output, Processor

_SAMPLES = 10
"""Bits of a UART character; the far end samples the middle of all but the first."""


@dataclass(frozen=True, slots=True)
class Stage:
    """What one burst comes to.

    Attributes:
        burst_ns: From its beginning to its end, at most; None: no bound.
        least_ns: The same at best.
        first_ns: From its beginning to its first bit, at most.
        first_least_ns: The same at best.
        given_back_ns: From its beginning to the output being free again, at most.
        stop_ns: From the end of the last period to the stop, at most; None: no bound.
        extra: Clocks too many, front and back, at worst.
        bit_wait_ns: How long a tick waits for its interrupt; None: no bound, or none.
    """

    burst_ns: Fraction | None
    least_ns: Fraction
    first_ns: Fraction | None
    first_least_ns: Fraction
    given_back_ns: Fraction | None
    stop_ns: Fraction | None
    extra: int
    bit_wait_ns: Fraction | None = None


def stage_of(board: Board, receive_ns: Fraction | None) -> Stage:
    """What one burst of a board comes to.

    Args:
        board: The board.
        receive_ns: Its longest receive handler; None where there is no bound.
    """
    output = board.spec.output
    if output.method == "timer":
        return _by_timer(board, receive_ns)
    if output.method == "port":
        return _by_port(board, receive_ns)
    if output.signal == "uart":
        whole = output.clocks * board.period
        kept = whole + output.kept_gap_ns + 1
        return Stage(
            whole + 1, whole - 1, Fraction(0), Fraction(0), kept, Fraction(0), 0
        )
    return _by_dma(board, receive_ns)


def stop_ns(processor: Processor, output: Output) -> int:
    """How long after the last period the clock may stop, nothing being in its way."""
    if output.stop == "count":
        return 0
    if output.stop == "interrupt":
        return processor.interrupt.entry_ns + output.stop_latency_ns
    return output.stop_latency_ns + output.stop_jitter_ns


def first_extra_clock_hz(processor: Processor, output: Output) -> float | None:
    """The clock rate above which a burst has a clock too many; None: at no rate.

    The clock rises at a share r of its period; a stop that takes s is too late when
    s >= r / f.
    """
    late_ns = stop_ns(processor, output)
    stopped = output.method == "dma" and output.signal == "clocked"
    if late_ns == 0 or not stopped:
        return None
    return float(Fraction(str(output.rise)) * NS_PER_S / late_ns)


def rise_ns(board: Board) -> Fraction:
    """From the beginning of a period to its rise."""
    return board.spec.output.rise_permille * board.period / 1000


def late_stop_ns(board: Board, receive_ns: Fraction | None) -> Fraction | None:
    """The latest stop after the last period; None: no bound."""
    output = board.spec.output
    if output.stop == "count":
        return Fraction(0)
    if output.stop == "dma":
        return Fraction(output.stop_latency_ns + output.stop_jitter_ns)
    waited = wait_of(board, "complete", receive_ns)
    if waited is None:
        return None
    # The period's end is rounded down, the interrupt is not.
    return waited + board.spec.cost.entry_ns + output.stop_latency_ns


def _by_dma(board: Board, receive_ns: Fraction | None) -> Stage:
    """Port words by DMA, clocked."""
    output, period = board.spec.output, board.period
    front = -(-output.lead_ns * output.clock_hz // NS_PER_S)
    whole = (front + output.clocks) * period
    first = rise_ns(board)
    stop = late_stop_ns(board, receive_ns)
    if stop is None:
        return Stage(None, whole, first, first - 1, None, None, front)
    extra, tail = front, Fraction(0)
    if stop >= first - 1:
        extra += 1 + int((stop - first) / period) if stop >= first else 0
        tail = stop
    # With few clocks a burst that stops while the clock is low ends at a fall.
    given_back = max(whole + tail + output.kept_gap_ns, whole + stop) + 1
    return Stage(whole + tail + 1, whole - 1, first, first - 1, given_back, stop, extra)


def _by_timer(board: Board, receive_ns: Fraction | None) -> Stage:
    """One interrupt a bit."""
    output, cost = board.spec.output, board.spec.cost
    wait = wait_of(board, "bit", receive_ns)
    ticks = (output.clocks - 1) * board.period
    clocked = output.signal == "clocked"
    to_first = cost.entry_ns + (cost.bit_ns // 2 if clocked else 0)
    least = ticks + cost.entry_ns + cost.bit_ns - 1
    if wait is None or wait >= board.period - 1:  # a tick may be lost
        return Stage(None, least, None, Fraction(to_first), None, Fraction(0), 0, wait)
    whole = ticks + wait + cost.entry_ns + cost.bit_ns
    return Stage(
        whole,
        least,
        wait + to_first,
        Fraction(to_first),
        whole + output.kept_gap_ns,
        Fraction(0),
        0,
        wait,
    )


def _by_port(board: Board, receive_ns: Fraction | None) -> Stage:
    """Hardware shifters, one lane after another."""
    output, cost = board.spec.output, board.spec.cost
    lane = output.clocks * board.period
    between = Fraction(output.lane_gap_ns)
    most: Fraction | None = between
    if output.stop == "interrupt":
        between = Fraction(cost.entry_ns + output.stop_latency_ns)
        most = late_stop_ns(board, receive_ns)
    first, turns = rise_ns(board), output.lanes - 1
    least = output.lanes * (lane - 1) + turns * between
    if most is None:
        return Stage(None, least, first, first - 1, None, None, 0)
    whole = output.lanes * (lane + 1) + turns * most
    given_back = whole + max(Fraction(output.kept_gap_ns), most)
    return Stage(whole, least, first, first - 1, given_back, most, 0)


# --- UART lanes -----------------------------------------------------------------------


def bit_error_ns(board: Board, jitter_ns: Fraction) -> Fraction:
    """How far a sample of a UART lane may be from the middle of its bit.

    Bits are up to `jitter_ns` late of one another, and the two ends' rates differ: the
    last of them adds up over the character.
    """
    output = board.spec.output
    theirs = Fraction(NS_PER_S, output.lane_hz)
    slow = (_SAMPLES - 1) * max(Fraction(0), board.period - theirs)
    fast = _SAMPLES * max(Fraction(0), theirs - board.period)
    return jitter_ns + max(slow, fast)
