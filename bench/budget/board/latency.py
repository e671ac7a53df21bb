"""From a packet's last bit in to its being shown, best and worst.

The way goes through the receiver, the foreground (rearrange, start output) and the
output stage.  There are two cases, and the first is tried first:

* Apart: all is done, the kept gap included, before the next packet's last bit.  Then
  every packet meets a board at rest, and only the receiver's interrupts are in its way.
  That holds for the first packet, and so for all.
* Overlapping: packets queue.  Each stage is at its worst, foreground jobs wait for each
  other, output interrupts and stolen cycles count, and the worst of the last packets of
  a run that come as close as they can is taken.  A stage that needs longer than packets
  are apart on average has no bound.

A window for the foreground begins when the receive interrupt is asserted, with the
characters that asserted it in the FIFO; the packet's last one is among them or comes
later.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.budget.board.board import GRID_NS
from bench.budget.board.receiver import loop_ns
from bench.budget.response import Task, done
from bench.wire.format import Delimiter

if TYPE_CHECKING:
    from bench.budget.board.board import Board
    from bench.budget.board.output import Stage
    from bench.budget.board.receiver import Reception


@dataclass(frozen=True, slots=True)
class Course:
    """A packet's way, times from its last bit in; None: no bound.

    Attributes:
        rearranged_ns: Rearranging has ended, and its receive buffer is free.
        burst_ns: Its burst begins.
        first_ns: Its first bit is out.
        shown_ns: It is shown.
        free_ns: The output is free again.
        best_ns: It is shown, at best.
        apart: Whether every packet meets a board at rest.
        deaf_ns: The longest that a polled loop does not look.
        why: Why there is no bound.
    """

    rearranged_ns: Fraction | None = None
    burst_ns: Fraction | None = None
    first_ns: Fraction | None = None
    shown_ns: Fraction | None = None
    free_ns: Fraction | None = None
    best_ns: Fraction | None = None
    apart: bool = False
    deaf_ns: Fraction | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class _Way:
    """What the foreground has to wait for.

    Attributes:
        wait_ns: From the last bit in to the window's beginning.
        work_ns: What comes first in the window.
    """

    wait_ns: Fraction
    work_ns: Fraction


def course(board: Board, reception: Reception, stage: Stage) -> Course:
    """A packet's way through a board."""
    best = _best(board, stage)
    way, why = _way(board, reception)
    if way is None:
        return Course(best_ns=best, why=why)
    if stage.burst_ns is None or stage.given_back_ns is None:
        return Course(best_ns=best, why="a burst has no bound")
    alone = _alone(board, way, stage)
    spare = board.pace.apart_ns[0]
    if board.spec.on_sync:
        return replace(_synced(board, way, stage), best_ns=best)
    if alone is not None and alone.free_ns is not None and alone.free_ns <= spare:
        return replace(alone, best_ns=best)
    return replace(_queued(board, way, stage), best_ns=best)


# --- up to the foreground -------------------------------------------------------------


def _way(board: Board, reception: Reception) -> tuple[_Way | None, str]:
    """What comes before the foreground; None, and why, where that has no bound."""
    form = board.spec.packet
    if form.open_ended:
        return None, "a packet ends only when the next one begins"
    if reception.late_ns is None:
        return None, "characters come faster than they are taken"
    cost, uart = board.spec.cost, board.spec.uart
    timeout = uart.idle_timeout_ns
    early = Fraction(board.early_ns)
    silent = form.delimiting.kind == Delimiter.SILENCE
    if silent and timeout is None:
        return None, "nothing tells it that a packet has ended"
    heard = Fraction(timeout or 0) if silent else Fraction(0)
    if board.polled:
        looks = max(reception.late_ns, Fraction(loop_ns(board)))
        handle = cost.per_character_ns + cost.per_packet_ns
        return _Way(heard - early, looks + handle), ""
    arrival = board.spec.receive.arbitration_ns
    asserted = (board.group - 1) * board.pitch
    if board.eager and board.group > 1:
        asserted = Fraction(timeout or 0)
    elif board.group > 1:
        waits, why = _idle_ns(board, reception)
        if why:
            return None, why
        asserted = max(asserted, waits)
    work = board.backlog_ns
    if silent:
        work += board.around_ns
    return _Way(heard - early + asserted + arrival, Fraction(work)), ""


def _idle_ns(board: Board, reception: Reception) -> tuple[Fraction, str]:
    """From a character's completion to the interrupt where the line idles before.

    Returns:
        The time, and why there is no bound, or "".
    """
    uart, timeout = board.spec.uart, board.spec.uart.idle_timeout_ns
    if uart.mute:
        # What is dropped does not fill the FIFO, and still restarts the timeout.
        return Fraction(0), "its last characters wait for the next packet's"
    if timeout is None:
        why = "" if board.unbroken else "its last characters wait for the next packet's"
        return Fraction(0), why
    pauses = 1
    if not board.unbroken:
        pauses += -(-(board.group - 1) // max(1, board.pace.characters))
    if uart.restart_on_read:  # each handler that leaves some behind starts it anew
        handlers = -(-board.group // board.spec.cost.body_limit)
        pauses += handlers - 1
    waits = (board.group - 2) * board.pitch + pauses * timeout
    return waits + (pauses - 1) * (reception.longest_ns or 0), ""


def _best(board: Board, stage: Stage) -> Fraction:
    """The least time to being shown: the character is taken as it completes."""
    cost, output = board.spec.cost, board.spec.output
    handled = cost.per_character_ns + cost.per_packet_ns
    if board.spec.packet.delimiting.kind == Delimiter.SILENCE:
        # Decided at the latest by the timeout, at best by the next packet's beginning.
        handled = cost.per_packet_ns
    if not board.polled:
        handled += cost.exit_ns
    work = cost.rearrange_ns + cost.start_output_ns
    if board.spec.on_sync:  # the sync's own way, at best from the packet's last bit on
        work = cost.start_output_ns
    if board.polled:
        work += board.spec.receive.pass_ns
    # Instants on the line are rounded down: the last bit's, and the completion's.
    early = board.early_ns + 1
    return handled - early + work + stage.least_ns + output.latch_gap_ns


# --- a board at rest ------------------------------------------------------------------


def _tasks(board: Board, *, output: bool) -> list[Task]:
    """What interrupts the foreground, with a burst running or without."""
    tasks = [] if board.polled else board.arrivals()
    if output:
        tasks += board.others()
        if board.spec.output.stolen_ns:
            stolen = board.spec.output.stolen_ns
            tasks.append(Task("stolen", stolen, board.period, 1))
    return tasks


def _turn(board: Board) -> int:
    """What a polled loop does between two jobs."""
    return loop_ns(board) + board.spec.cost.per_packet_ns if board.polled else 0


def _alone(board: Board, way: _Way, stage: Stage) -> Course | None:
    """A packet that meets a board at rest; None: no bound."""
    cost, tasks = board.spec.cost, _tasks(board, output=False)
    whole = way.work_ns + cost.rearrange_ns + _turn(board) + cost.start_output_ns
    own = _undisturbed(board, way, whole)
    if own is None:
        rearranged = done(way.work_ns + cost.rearrange_ns, tasks)
        begins = done(whole, tasks)
    else:
        rearranged, begins = own + way.work_ns + cost.rearrange_ns, own + whole
    if rearranged is None or begins is None:
        return None
    made = _made(way.wait_ns + Fraction(begins), stage, board)
    deaf = cost.rearrange_ns + _turn(board) + cost.start_output_ns
    return replace(
        made,
        rearranged_ns=way.wait_ns + Fraction(rearranged),
        apart=True,
        deaf_ns=Fraction(deaf) if board.polled else None,
    )


def _undisturbed(board: Board, way: _Way, whole_ns: Fraction) -> int | None:
    """What the last character's own interrupt takes, where no other comes in the way.

    So it is where the line idles until all is done, and no timeout asks for more; else
    None.
    """
    if board.polled or board.spec.uart.idle_timeout_ns is not None:
        return None
    cost = board.spec.cost
    own = board.around_ns + cost.per_character_ns + cost.per_packet_ns
    behind = own + GRID_NS > board.pitch  # the one before may still be in its exit
    if behind or way.wait_ns + own + whole_ns >= board.pace.quiet_ns:
        return None
    return own


def _made(burst_ns: Fraction, stage: Stage, board: Board) -> Course:
    """The rest of the way, from where its burst begins."""
    if stage.burst_ns is None or stage.given_back_ns is None:
        raise ValueError("a burst without a bound has no end")
    first = None if stage.first_ns is None else burst_ns + stage.first_ns
    return Course(
        burst_ns=burst_ns,
        first_ns=first,
        shown_ns=burst_ns + stage.burst_ns + board.spec.output.latch_gap_ns,
        free_ns=burst_ns + stage.given_back_ns,
    )


# --- packets that queue ---------------------------------------------------------------


def _under_way(board: Board) -> Fraction:
    """What is pending, under way or masked when a window begins just anywhere."""
    others = sum((Fraction(task.cost) for task in board.others()), Fraction(0))
    return others + board.spec.cost.masked_ns


def _both_ns(board: Board) -> int:
    """Both foreground jobs: neither is broken off, so each may wait for the other."""
    cost = board.spec.cost
    return cost.rearrange_ns + cost.start_output_ns + 2 * _turn(board)


_NO_TIME = "interrupts leave no time for the foreground"


def start_ns(board: Board) -> Fraction | None:
    """Starting the output, stretched by what may interrupt it; None: no bound."""
    tasks = _tasks(board, output=True)
    backlog = 0 if board.polled else board.backlog_ns
    if not board.spec.cost.start_output_ns:
        return Fraction(0)
    whole = _under_way(board) + backlog + board.spec.cost.start_output_ns
    found = done(whole, tasks)
    return None if found is None else Fraction(found)


@dataclass(frozen=True, slots=True)
class _Stages:
    """What a packet of a run takes, at worst.

    Attributes:
        ready_ns: From its last bit to its being rearranged, nobody being in its way.
        rearrange_ns: The same from when the foreground has it.
        output_ns: From the output's being free, or the packet ready, to its being free
            again.
        later: Whether a start may wait for the next packet's rearranging, instead of
            that being part of the output's time.
    """

    ready_ns: Fraction
    rearrange_ns: Fraction
    output_ns: Fraction
    later: bool


def _queued(board: Board, way: _Way, stage: Stage) -> Course:
    """The worst packet of a run that comes as close as it can.

    A start may have to wait for the rearranging of the packet after.  That is counted
    with every start; or, where the output has no time for that, once: the output then
    begins no later than that next packet is rearranged.
    """
    cost, tasks = board.spec.cost, _tasks(board, output=True)
    both = _both_ns(board)
    backlog = 0 if board.polled else board.backlog_ns
    job = done(_under_way(board) + backlog + both, tasks)
    first = done(_under_way(board) + way.work_ns + both, tasks)
    start = start_ns(board)
    if job is None or first is None or start is None or stage.given_back_ns is None:
        return Course(why=_NO_TIME)
    job, ready = Fraction(job), way.wait_ns + Fraction(first)
    back, longest = stage.given_back_ns, board.pace.longest_ns
    serial = cost.word_buffers == 1
    ways = [_Stages(ready, job, job + back, later=False)]
    if longest is not None and not serial and not board.polled:
        ways.append(_Stages(ready, job, start + back, later=True))
    found = []
    for stages in ways:
        slowest = stages.output_ns + (job if serial else 0)
        if max(slowest, job) <= board.pace.mean_ns:
            found.append(_run(board, stages, stage))
    if not found:
        return Course(why="packets come faster than they are shown")
    return min(found, key=lambda course: course.shown_ns or 0)


def _run(board: Board, stages: _Stages, stage: Stage) -> Course:
    """The last packet of a run that comes as close as it can."""
    pace, words = board.pace, board.spec.cost.word_buffers
    come = [-gap for gap in reversed(pace.apart_ns)] + [Fraction(0)]
    after = [*come[1:], pace.longest_ns or Fraction(0)]
    ready: list[Fraction] = []
    free: list[Fraction] = []
    for at, last_bit in enumerate(come):
        earliest = last_bit + stages.ready_ns
        if ready:
            earliest = max(earliest, ready[-1] + stages.rearrange_ns)
        if at >= words:
            earliest = max(earliest, free[at - words] + stages.rearrange_ns)
        ready.append(earliest)
        begins = max(earliest, free[-1]) if free else earliest
        if stages.later:
            begins = max(begins, after[at] + stages.ready_ns)
        free.append(begins + stages.output_ns)
    back = stage.given_back_ns or Fraction(0)
    made = _made(free[-1] - back, stage, board)
    deaf = Fraction(_both_ns(board)) if board.polled else None
    return replace(made, rearranged_ns=ready[-1], deaf_ns=deaf)


def _synced(board: Board, way: _Way, stage: Stage) -> Course:
    """A packet that is shown on a sync: from the packet's last bit in.

    The sync goes the same way as the packet before it, and finds it rearranged.
    """
    tasks, most = _tasks(board, output=True), board.pace.sync_most_ns
    ready = done(_under_way(board) + way.work_ns + _both_ns(board), tasks)
    if ready is None or stage.given_back_ns is None:
        return Course(why=_NO_TIME)
    if most is None or board.pace.syncs_ns is None:
        return Course(why="no sync is sent")
    taken = way.wait_ns + ready
    if taken + stage.given_back_ns > board.pace.syncs_ns:
        return Course(why="syncs come faster than packets are shown")
    made = _made(most + taken, stage, board)
    deaf = Fraction(_both_ns(board)) if board.polled else None
    return replace(made, rearranged_ns=taken, deaf_ns=deaf)
