"""The receiver: how late a character is taken, and whether one is lost meanwhile.

A busy period begins when the interrupt is asserted, with `group` characters in the
FIFO, and all its characters are looked at, not the first alone.  It can begin in two
ways:

* afresh: the processor was in the foreground, or just began an interrupt that goes
  after this one, or has interrupts masked;
* during the exit of the handler before, which had just found the FIFO empty.

A character is lost when the one that is a whole FIFO later completes before it is
taken; overrun policies that hold or overwrite give that one a little longer.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING

from bench.budget.board.board import GRID_NS, NO_LIMIT
from bench.budget.response import Task, begun, done, load, response

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.budget.board.board import Board

_MOST = 20_000
"""Characters of one busy period: more than any FIFO, ring and line keep up for."""


@dataclass(frozen=True, slots=True)
class Reception:
    """What becomes of characters.

    Attributes:
        latency_ns: From the interrupt to the first look; None: no bound.
        late_ns: How much later than its place in the row a character is taken, at most.
        slack_ns: How late that may be.
        held: Most characters in the FIFO, or in the ring; None: no bound.
        room: Characters that it holds.
        longest_ns: The longest single handler.
        leaves: Most characters that a handler leaves behind that nothing will ask for.
    """

    latency_ns: Fraction | None
    late_ns: Fraction | None
    slack_ns: Fraction
    held: int | None
    room: int
    longest_ns: Fraction | None
    leaves: int = 0


def wait_of(board: Board, name: str, receive_ns: Fraction | None) -> Fraction | None:
    """How long an interrupt may be pending before it is entered.

    Args:
        board: Whose it is.
        name: Which: receive, bit or complete.
        receive_ns: The longest receive handler; None where there is no bound.
    """
    before, after = board.first_of(name)
    tasks = {"bit": board.bit, "complete": board.complete}
    blocking = [Fraction(board.spec.cost.masked_ns)]
    blocking += [Fraction(task.cost) for key in after if (task := tasks.get(key))]
    higher = [task for key in before if (task := tasks.get(key))]
    base = Fraction(0)
    if name != "receive" and not board.polled:
        if receive_ns is None:
            return None
        if "receive" in after:
            blocking.append(receive_ns)
        else:
            higher += board.arrivals()
            base = Fraction(board.backlog_ns)
    if (task := tasks.get(name)) is None:
        waited = begun(base + max(blocking), higher)
        return None if waited is None else Fraction(waited)
    found = response(task, higher, blocking=base + max(blocking), preemptive=False)
    return None if found.worst is None else found.worst - task.cost


# --- by interrupt and by ring ---------------------------------------------------------


class _Row:
    """Characters of one busy period in a row, and the looks that take them."""

    def __init__(self, board: Board, higher: Sequence[Task], wait: Fraction) -> None:
        """Expect a busy period.

        Args:
            board: Whose it is.
            higher: Interrupts that go first between its handlers.
            wait: Until its first handler begins.
        """
        self._board, self._higher, self._wait = board, higher, wait
        limit = board.spec.cost.body_limit
        self._full = board_cycle(board) if limit < NO_LIMIT else 0
        self._begun: dict[int, Fraction | None] = {}

    def handler_ns(self, number: int) -> Fraction | None:
        """When a handler of the busy period begins, those before it being full."""
        if number not in self._begun:
            start = begun(self._wait + number * self._full, self._higher)
            self._begun[number] = None if start is None else Fraction(start)
        return self._begun[number]

    def look_ns(self, place: int) -> Fraction | None:
        """When the character at a place, from 0, is taken at the latest."""
        cost = self._board.spec.cost
        number, within = divmod(place, cost.body_limit)
        start = self.handler_ns(number)
        if start is None:
            return None
        packets = 0
        if cost.per_packet_ns and place:
            packets = 1 + (place - 1) // max(1, self._board.pace.characters)
        extra = packets * cost.per_packet_ns
        return start + cost.entry_ns + within * cost.per_character_ns + extra


def board_cycle(board: Board) -> int:
    """A handler that takes as many characters as it may."""
    cost = board.spec.cost
    return board.around_ns + cost.body_limit * cost.per_character_ns


def reception(board: Board) -> Reception:
    """What becomes of the characters of a board that receives by interrupt or ring."""
    uart, cost = board.spec.uart, board.spec.cost
    higher = [
        task
        for key in board.first_of("receive")[0]
        if (task := {"bit": board.bit, "complete": board.complete}.get(key))
    ]
    wait = wait_of(board, "receive", None)
    room = uart.fifo
    # With drop-when-full it is the character after the last that fits which is lost.
    slack = (room + 1 - board.group) * board.pitch
    if uart.overrun == "hold":
        slack += board.pitch - uart.ready_ns
    elif uart.overrun == "overwrite":
        slack += board.pitch
    slack -= GRID_NS + board.spec.receive.arbitration_ns
    none = Reception(None, None, slack, None, room, None)
    if wait is None or load([*board.arrivals(), *higher]) >= 1:
        return none
    afresh = _busy(board, _Row(board, higher, wait), board.group)
    after = begun(Fraction(cost.exit_ns), higher)
    if afresh is None or after is None:
        return none
    late, held, longest = afresh
    again = None
    if _in_exit(board, late, Fraction(after)):
        again = _busy(board, _Row(board, higher, Fraction(after)), 1)
        if again is None:
            return none
    if again is not None:
        # Its first character has only just come; the others are so much earlier.
        late = max(late, again[0] - (board.group - 1) * board.pitch)
        held, longest = max(held, again[1]), max(longest, again[2])
    latency = wait + cost.entry_ns
    leaves = _left(board, held)
    return Reception(latency, late, slack, held, room, longest, leaves)


def _in_exit(board: Board, late: Fraction, exit_ns: Fraction) -> bool:
    """Whether characters can assert the interrupt while its handler is being left.

    Args:
        board: Whose it is.
        late: How late the last character before them was taken, at most.
        exit_ns: How long the exit takes, interrupts that go first included.
    """
    cost = board.spec.cost
    early = GRID_NS + board.spec.receive.arbitration_ns
    left = cost.per_character_ns + cost.per_packet_ns + exit_ns
    soon = board.pitch - early - late <= left
    return soon and (board.group - 1) * board.pitch <= exit_ns


def _left(board: Board, held: int) -> int:
    """Characters left behind by a handler whose interrupt fires on a transition."""
    if board.spec.uart.fires != "transition":
        return 0
    return max(0, held - board.spec.cost.body_limit)


def _busy(board: Board, row: _Row, there: int) -> tuple[Fraction, int, Fraction] | None:
    """One busy period: lateness, most in the FIFO, the longest handler.

    Args:
        board: Whose it is.
        row: Its characters.
        there: Characters that are there when it is asserted, the last of them just so.
    """
    late, held, longest = Fraction(0), 0, Fraction(0)
    cost, limit = board.spec.cost, board.spec.cost.body_limit
    early = GRID_NS + board.spec.receive.arbitration_ns
    for place in range(_MOST):
        look = row.look_ns(place)
        if look is None:
            return None
        came = (place + 1 - there) * board.pitch - early
        start = row.handler_ns(place // limit)
        if came > look or start is None:
            break  # it finds the FIFO empty
        if place % limit == 0 and came > start and place:
            break  # nothing asked for this handler
        late = max(late, look - place * board.pitch)
        held = max(held, there + floor((look + early) / board.pitch) - place)
        ended = look - start + cost.per_character_ns + cost.exit_ns
        longest = max(longest, ended + cost.per_packet_ns)
    else:
        return None
    return late, held, longest


# --- in a loop ------------------------------------------------------------------------


def loop_ns(board: Board) -> int:
    """One turn of a polled loop that takes a character."""
    return board.spec.receive.pass_ns + board.spec.cost.per_character_ns


def polled(board: Board, extra_ns: int = 0) -> Reception:
    """What becomes of the characters of a polled board, while it does nothing else.

    Characters that are taken at one look after another are looked at together.  The
    first of them comes just after a look that found none.

    Args:
        board: The board.
        extra_ns: Foreground work that comes between once.
    """
    uart, cost = board.spec.uart, board.spec.cost
    others = board.others()
    slack = uart.fifo * board.pitch - GRID_NS
    if uart.overrun == "hold":
        slack += board.pitch - uart.ready_ns
    elif uart.overrun == "overwrite":
        slack += board.pitch
    turn, once = loop_ns(board), cost.per_packet_ns + extra_ns
    each = Task("loop", turn, board.pitch, GRID_NS)
    none = Reception(None, None, slack, None, uart.fifo, None)
    if load([each, *others]) >= 1:
        return none
    late, held, first = Fraction(0), 0, None
    # At a look no interrupt is pending: the window begins with one, that found nothing,
    # or after which there was foreground work.
    begins = once + turn if extra_ns else board.spec.receive.pass_ns
    for place in range(_MOST):
        packet = once if place and not extra_ns else 0
        look = done(begins + place * turn + packet, others)
        if look is None:
            return none
        first = Fraction(look) if first is None else first
        if place and place * board.pitch - GRID_NS > look:
            break
        late = max(late, Fraction(look) - place * board.pitch)
        held = max(held, 1 + floor((look + GRID_NS) / board.pitch) - place)
    else:
        return none
    return Reception(first, late, slack, held, uart.fifo, None)
