"""The columns that flow through the bench: one chunk of each at a time.

Schedule, line, sightings and verdicts are arrays, never one object a packet.  A chunk
is bounded by the producer; any split of a stream into chunks gives the same rows, in
the same order, as the whole.

Places on the line are global character indexes, times are nanoseconds from the start of
the trial, and -1 stands for "not known" in a place and "not observable" in a time or a
count: what was not observed is never zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Rows = NDArray[np.void]
    Octets = NDArray[np.uint8]

UNKNOWN = -1
"""No such place, or not observable."""


class Flaw(IntEnum):
    """What is wrong with one character on the line."""

    FRAMING = 1
    PARITY = 2
    BREAK = 3  # the line held low: reported as octet 00h, but not a character
    ADDRESS = 4  # nothing wrong: the ninth bit is set, which marks an address


class To(IntEnum):
    """Whom a packet is for, where that is not the index of a node."""

    FOREIGN = -1
    EVERY_NODE = -2


class Drop(IntEnum):
    """Why a node did not show a packet that it could have shown."""

    BAD_CHECK = 1
    BAD_LENGTH = 2
    BAD_LITERAL = 3
    BAD_STUFFING = 4
    LINE_ERROR = 5
    PAUSE = 6  # a silence inside the packet
    WRONG_SIZE = 7  # a sound packet whose payload does not fill the lanes
    NO_RECEIVE_BUFFER = 8
    NO_PORT_WORDS = 9
    LATCH_GAP_SHORT = 10  # the next burst began too soon: shifted through
    TOO_SHORT = 11
    ABORTED = 12  # the sender took it back (HDLC abort)
    NOT_SYNCED = 13  # held for a sync until a newer packet took its place
    SYNC_EARLY = 14  # the same, and a sync had come before it was rearranged
    RESET = 15  # the node was switched off or reset while it had the packet


class Doing(IntEnum):
    """What the processor was doing when a character was lost."""

    NOTHING = 0  # no receive interrupt was asserted: it never will be
    RECEIVE_ENTRY = 1
    RECEIVE_BODY = 2
    RECEIVE_EXIT = 3
    COMPLETE = 4  # the transfer-complete interrupt
    WAITING = 5  # asserted, not yet served
    BIT = 6  # an output-bit interrupt
    MASKED = 7  # asserted, and the foreground had interrupts masked
    POLLING = 8  # a polled loop that only looks and takes
    REARRANGING = 9  # a polled loop that rearranges: deaf
    STARTING = 10  # a polled loop that starts the output: deaf


RUN = np.dtype([("first", "i8"), ("start_ns", "i8"), ("start_rem", "i8")], align=True)
"""Characters that follow each other without a gap: index of the first one in the chunk,
start of its start bit on the line's exact grid (`Grid`, one step a character pitch)."""

FLAW = np.dtype([("at", "i8"), ("length_ns", "i8"), ("kind", "i8")], align=True)
"""A character with a line error, or with its ninth bit set: its index in the chunk; for
a break, how long the line was low, else 0; a `Flaw`."""

SENT = np.dtype(
    [
        ("packet", "i8"),  # serial number in the trial, foreign ones included
        ("frame", "i8"),  # number of the frame, -1 for foreign
        ("first", "i8"),  # global index of its first character
        ("octets", "i8"),  # characters on the wire
        ("start_ns", "i8"),  # its first start bit
        ("last_bit_ns", "i8"),  # end of its last stop bit
        ("payload_at", "i8"),  # into `Sent.payload`; -1 for foreign
        ("payload_octets", "i8"),
        ("address", "i8"),
        ("to", "i8"),  # index of the node, or a `To`
    ],
    align=True,
)
"""One packet of the schedule."""

SHOWN = np.dtype(
    [
        ("burst_ns", "i8"),  # the first rollover
        ("first_bit_ns", "i8"),  # the first clock edge
        ("end_ns", "i8"),  # clock idle from here on
        ("shown_ns", "i8"),  # latched; -1: shifted through, never shown
        ("clocks", "i8"),  # counted; -1 where no link can count
        ("data_at", "i8"),  # into `Seen.data`
        ("data_octets", "i8"),
        ("node", "i8"),
        ("marginal", "i8"),  # a runt or nearly one: 0 or 1; -1 not observable
        ("lane_skew_ns", "i8"),  # from the first lane's end to the last one's; or -1
    ],
    align=True,
)
"""One burst of one node, and what its chains held when they latched, lane by lane."""

DROPPED = np.dtype(
    [
        ("ns", "i8"),  # when the node decided
        ("first", "i8"),  # global index of the first character it took for the packet
        ("end", "i8"),  # one past the last
        ("node", "i8"),
        ("reason", "i8"),  # a `Drop`
    ],
    align=True,
)
"""One packet, or what a node took for one, that it did not show."""

LOST = np.dtype(
    [("at", "i8"), ("ns", "i8"), ("node", "i4"), ("doing", "i4")], align=True
)
"""One character that a node's receiver lost: global index, when, and a `Doing`."""


@dataclass(frozen=True, slots=True)
class Line:
    """A chunk of what is on the bus.

    Attributes:
        octets: uint8, one a character (00h for a break).
        runs: `RUN` rows; the first has `first` = 0 unless the chunk has no characters.
        flaws: `FLAW` rows, ascending.
        first: Global index of `octets[0]`.
        until_ns: No character that is not in this chunk or an earlier one starts before
            this instant.
    """

    octets: Octets
    runs: Rows
    flaws: Rows
    first: int
    until_ns: int


@dataclass(frozen=True, slots=True)
class Sent:
    """The packets of one chunk of a schedule.

    Attributes:
        rows: `SENT` rows in the order of the line, each packet in the chunk in which
            its last character lies.
        payload: uint8; the payloads of the packets that some node is to show.
    """

    rows: Rows
    payload: Octets


@dataclass(frozen=True, slots=True)
class Seen:
    """What is known of the nodes after one chunk.

    Attributes:
        shown: `SHOWN` rows, in order of time for each node.
        data: uint8; what the chains of those bursts held.
        dropped: `DROPPED` rows (a simulated node confesses; most links cannot tell).
        lost: `LOST` rows, likewise.
        until_ns: Everything latched before this instant is in this chunk or an
            earlier one.
    """

    shown: Rows
    data: Octets
    dropped: Rows
    lost: Rows
    until_ns: int


def no_rows(dtype: np.dtype[np.void]) -> Rows:
    """An empty column of one kind."""
    return np.empty(0, dtype)


def no_octets() -> Octets:
    """An empty run of octets."""
    return np.empty(0, np.uint8)
