"""What the node's plain twin takes and gives: characters, rows, and their codes."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

ENDS, STARTS, ARRIVES, COMPLETES, TIMEOUT, ACTS = range(1, 7)
"""The order at one instant."""

FRAMING, PARITY, BREAK, ADDRESS = range(1, 5)
"""What is wrong with a character, or marks it."""

BAD_CHECK, WRONG_SIZE, NO_RECEIVE_BUFFER, NO_PORT_WORDS = 1, 7, 8, 9
NOT_SYNCED, SYNC_EARLY, RESET = 13, 14, 15
"""Why a packet is dropped, where that is not the decoder's word."""

NOTHING, ENTRY, BODY, EXIT, COMPLETE, _WAITING, BIT = range(7)
MASKED, POLLING, REARRANGING, STARTING = range(7, 11)
"""What the processor does when a character is lost."""

WORD, RISE, FALL = range(3)
"""Kinds of an edge."""

ALL_LANES = -1


@dataclass
class Character:
    """One character on the line."""

    place: int
    start_ns: int
    octet: int
    flaw: int = 0
    length_ns: int = 0


@dataclass
class Result:
    """What happened, in rows of plain tuples; `notes` counts what worlds are for."""

    shown: list = field(default_factory=list)
    data: list = field(default_factory=list)
    dropped: list = field(default_factory=list)
    lost: list = field(default_factory=list)
    interrupts: list = field(default_factory=list)
    edges: list = field(default_factory=list)
    receive_ns: int = 0
    complete_ns: int = 0
    bit_ns: int = 0
    foreground_ns: int = 0
    notes: Counter = field(default_factory=Counter)


@dataclass
class Received:
    """A sound packet that waits, is rearranged, held, or on its way out."""

    payload: bytes
    first: int
    end: int
    order: int
    early: bool = False
    released: bool = False


@dataclass
class Burst:
    """One burst of the output."""

    payload: bytes
    received: Received | None
    begin_ns: int
    number: int
    first_bit_ns: int | None = None
    end_ns: int = 0
    first_end_ns: int = 0
    clocks: int = 0
    marginal: int = 0
    skew_ns: int = 0
    data: bytes = b""
    edges: list = field(default_factory=list)
