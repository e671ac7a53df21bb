"""Causes in words that can be acted on.

A cause is a number, kind * DETAILS + detail, so that thousands of them cost nothing;
what it says depends on the node as well: how long a polled receiver is deaf, or what
its chains do in a pause, stands in the profile.
"""

from __future__ import annotations

from enum import IntEnum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from bench.base.columns import Doing, Drop
from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns

if TYPE_CHECKING:
    from bench.profile.model import Node


class Why(IntEnum):
    """The kinds of cause; some carry a detail."""

    NOT_OBSERVABLE = 0
    NOT_KNOWN = 1
    OVERRUN = 2  # a `Doing`
    DROPPED = 3  # a `Drop`
    AFTER_OVERRUN = 4  # swallowed after it: a `Doing`
    AFTER_DROP = 5  # a `Drop`
    SHIFTED = 6
    HELD = 7  # for a sync that does not come: not lost


class Clocks(IntEnum):
    """What is known of a burst with a wrong number of clocks, beside the number."""

    PLAIN = 0
    INTACT = 1  # its data are right
    HALF = 2  # chains may have latched in a pause inside it
    REST = 3  # what came after such a pause


DETAILS = 64
"""More than the details of any kind."""

SYNC_MISSED = 16 * DETAILS
"""Added to a cause: it is that of the loss of the sync that would have shown it."""

_DOING = {
    Doing.NOTHING: "with no receive interrupt asserted, which never will be",
    Doing.RECEIVE_ENTRY: "while entering the receive handler",
    Doing.RECEIVE_BODY: "while in the receive handler",
    Doing.RECEIVE_EXIT: "while leaving the receive handler",
    Doing.COMPLETE: "while in the transfer-complete handler",
    Doing.WAITING: "while the receive interrupt waited to be served",
    Doing.BIT: "while in the output-bit handler",
    Doing.MASKED: "while the foreground had interrupts masked",
    Doing.POLLING: "while a polled loop was between two looks",
    Doing.REARRANGING: "while a polled loop rearranged: deaf",
    Doing.STARTING: "while a polled loop started the output: deaf",
}

_DROPS = {
    Drop.BAD_CHECK: "failed check",
    Drop.BAD_LENGTH: "bad length",
    Drop.BAD_LITERAL: "wrong literal",
    Drop.BAD_STUFFING: "bad stuffing",
    Drop.LINE_ERROR: "line error",
    Drop.PAUSE: "silence inside the packet",
    Drop.WRONG_SIZE: "payload that does not fill the lanes",
    Drop.NO_RECEIVE_BUFFER: "no receive buffer free",
    Drop.NO_PORT_WORDS: "no port-word buffer free",
    Drop.LATCH_GAP_SHORT: "latch gap short: shifted through by the next burst",
    Drop.TOO_SHORT: "packet too short",
    Drop.ABORTED: "packet taken back by its sender",
    Drop.NOT_SYNCED: "held, and no sync came before the next packet took its place",
    Drop.SYNC_EARLY: "sync came before it was rearranged, and the next packet took its "
    "place",
    Drop.RESET: "node reset while it had the packet",
}

_CLOCKS = {
    Clocks.PLAIN: "",
    Clocks.INTACT: ", data intact",
    Clocks.HALF: ": a pause inside the burst, or cut off",
    Clocks.REST: ": the rest of a burst that latched in a pause inside it",
}

_CLOCKS_MOST = 10
"""Clocks too many or too few that are told apart."""

_SWALLOWED = "swallowed while the receiver resynchronised after"


def code_of(why: Why, detail: int = 0) -> int:
    """A cause as a number."""
    return why * DETAILS + detail


def doing_of(code: int) -> Doing | None:
    """What the processor was doing, if a cause comes down to an overrun."""
    why, detail = divmod(int(code) % SYNC_MISSED, DETAILS)
    return Doing(detail) if why in (Why.OVERRUN, Why.AFTER_OVERRUN) else None


def text_of(code: int, deaf: str = "") -> str:
    """A cause in words.

    Args:
        code: The cause.
        deaf: For how long a polled loop is deaf while it rearranges.
    """
    if code >= SYNC_MISSED:
        return f"sync missed: {text_of(code - SYNC_MISSED, deaf)}"
    why, detail = divmod(int(code), DETAILS)
    if why == Why.NOT_OBSERVABLE:
        return "cause not observable"
    if why == Why.NOT_KNOWN:
        return "cause not known"
    if why == Why.SHIFTED:
        return _DROPS[Drop.LATCH_GAP_SHORT]
    swallowed = why in (Why.AFTER_OVERRUN, Why.AFTER_DROP)
    if why in (Why.DROPPED, Why.AFTER_DROP):
        text = _DROPS[Drop(detail)]
    else:
        text = f"receiver overrun {_DOING[Doing(detail)]}"
        text += deaf if detail == Doing.REARRANGING else ""
    return f"{_SWALLOWED} {text}" if swallowed else text


def clocks_text(more: int, known: Clocks = Clocks.PLAIN) -> str:
    """How many clocks a burst had too many or, below zero, too few."""
    count = str(abs(more)) if abs(more) < _CLOCKS_MOST else f"{_CLOCKS_MOST} or more"
    plural = "" if abs(more) == 1 else "s"
    word = "many" if more > 0 else "few"
    return f"{count} clock{plural} too {word}{_CLOCKS[known]}"


class Wording:
    """The words for what goes wrong at one node.

    Attributes:
        half: Whether its chains can latch in a pause inside a burst.
    """

    def __init__(self, node: Node, character_ns: Fraction) -> None:
        self._processor, self._output = node.processor, node.output
        self._character_ns = character_ns
        output = node.output
        timed = output.method == "timer"
        self.half = timed and output.signal == "clocked" and output.latch == "gap"
        self._ticked = timed and output.signal == "uart"
        self._deaf = ""
        if node.processor.receive == "poll":
            self._deaf = f" for at least {self._deafness()}"

    def cause(self, code: int) -> str:
        """Why a packet was lost."""
        return text_of(code, self._deaf)

    def corrupt(self, burst: Any, code: int) -> str:
        """Why a packet was shown with wrong data.

        Args:
            burst: The `SHOWN` row.
            code: The cause that the node's confessions would give for its loss.
        """
        more = int(burst["clocks"]) - self._output.burst_clocks
        if burst["clocks"] >= 0 and more:
            shift = "one bit" if abs(more) == 1 else "as many bits"
            half = self._shown_half(burst) if more < 0 and self.half else ""
            return half or f"{clocks_text(more)}: data shifted by {shift}"
        if burst["marginal"] == 1:
            return "marginal clock pulse"
        if code // DETAILS == Why.OVERRUN:
            return f"{self.cause(code)}, and no check noticed"
        if self._ticked and (lost := self._ticks_lost(burst)):
            plural = "" if lost == 1 else "s"
            return f"{lost} output tick{plural} lost: the lanes' bits stretched"
        if code == code_of(Why.NOT_OBSERVABLE) and burst["clocks"] < 0:
            return text_of(code)
        return text_of(code_of(Why.NOT_KNOWN))

    def deaf(self) -> str:
        """What gives first where a polled loop is deaf while it rearranges."""
        work = self._processor.rearrange
        costs = f"{format_ns(work.fixed_ns)} + " if work.fixed_ns else ""
        costs += f"{self._output.payload_octets} × {format_ns(work.per_octet_ns)}"
        return (
            f"the deaf time while rearranging, {costs} a packet and more where "
            f"interrupts stretch it: {self._deafness()}"
        )

    def _deafness(self) -> str:
        """How long a polled loop is deaf, and what comes on the bus meanwhile."""
        work = self._processor.rearrange
        ns = work.fixed_ns + work.per_octet_ns * self._output.payload_octets
        count = float(ns / self._character_ns)
        characters = f"{count:.2g}" if count < 10 else format_count(round(count))
        plural = "" if characters == "1" else "s"
        return (
            f"{format_ns(ns)}, {characters} character{plural}, and the FIFO holds "
            f"{self._processor.uart.fifo}"
        )

    def _shown_half(self, burst: Any) -> str:
        """Too few clocks, where that may be a pause; "" where it is not."""
        gap_ns, longest_ns = self._output.latch_gap_ns, self._output.longest_pause_ns
        if longest_ns is None:
            longest_ns = gap_ns - 1
        text = f"shown half: pause of more than {format_ns(longest_ns)}"
        text += " inside the burst"
        latched_ns = int(burst["shown_ns"]) - int(burst["end_ns"])
        if longest_ns + 1 == gap_ns or latched_ns not in (longest_ns + 1, gap_ns):
            return f"{text}, or cut off there"
        return text if latched_ns != gap_ns else ""

    def _ticks_lost(self, burst: Any) -> int:
        """Output ticks without a bit of their own, by how long a burst took."""
        bits = self._output.burst_clocks
        period_ns = self._output.burst_s * NS_PER_S / bits
        last_ns = self._processor.interrupt.bit_ns
        lasted_ns = int(burst["end_ns"]) - int(burst["first_bit_ns"]) - last_ns
        return max(0, round(Fraction(lasted_ns) / period_ns) - (bits - 1))
