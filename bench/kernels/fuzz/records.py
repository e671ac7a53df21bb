"""What the stages of a batch of attack cases hand to each other.

A case is rows of integers (kind, place, value).  Each row becomes a `PIECE`, usually
one packet that something is wrong with; good packets are pieces without a fault.
"""

from __future__ import annotations

from collections import namedtuple

import numpy as np

RUN = np.dtype([("first", "i8"), ("start_ns", "i8"), ("start_rem", "i8")], align=True)
FLAW = np.dtype([("at", "i8"), ("length_ns", "i8"), ("kind", "i8")], align=True)
"""As in `bench.base.columns`: kernels import nothing of it."""

FRAMING, PARITY, BREAK, ADDRESS = range(1, 5)
"""`Flaw` of bench.base.columns."""

MARKER, OCTET, SILENT, BROKEN, NINTH = range(1, 6)
"""Delimiters, as in `bench.wire.format`."""

(
    CALM,
    CHECK_VALUE,
    CHECK_ORDER,
    CHECK_SPAN,
    LENGTH_ZERO,
    LENGTH_SHORT,
    LENGTH_LONG,
    LENGTH_MAXIMAL,
    LENGTH_WRAPPING,
    TRUNCATED,
    MARKER_INSIDE,
    HEADER_INSIDE,
    DELIMITERS_REPEATED,
    DELIMITER_MISSING,
    BAD_ESCAPE,
    ADDRESS_BITS,
    ADDRESS_NEAR,
    BROADCAST,
    BROADCAST_SIZE,
    BROADCAST_NEAR,
    FOREIGN_TWIN,
    FOREIGN_SHELL,
    SEQUENCE_REPEAT,
    SEQUENCE_JUMP,
    SYNC_MISSED,
    SYNC_EARLY,
    RUNT,
    GIANT,
    PAUSE_INSIDE,
    NO_GAP,
    NOISE_BEFORE,
    NOISE_INSIDE,
    NOISE_AFTER,
    SPIKE,
    FRAMING_ERROR,
    PARITY_ERROR,
    BREAK_INSIDE,
    BAUD_OFFSET,
    BAUD_DRIFT,
    BIT_ERROR,
    BIT_ERRORS,
    BIT_BURST,
    OVERLOAD,
    SLOW_DRIP,
    RESET_INSIDE,
    START_INSIDE,
    SILENCE,
    LITERAL_WRONG,
    MARK_INSIDE,
) = range(49)
"""The attacks; `bench.fuzz.attacks.kinds` says what place and value mean in each."""


def _integers(names: str) -> np.dtype:
    return np.dtype([(name, "i8") for name in names.split()], align=True)


KIND = _integers("places least most first_special specials")
"""How an attack's numbers are drawn: places, least and most value, and where in the
list of special values its own are."""

PLAN = _integers(
    "num den character_ns idle_ns delimiter silence_ns break_ns mark_ns "
    "address payload least most marker_octets size_ns quiet_ns recover pad closer "
    "cobs reflected on_sync piece_most case_most "
    # a character's bits, for what is worked out level by level
    "bit_num bit_den data_bits parity stop_halves"
)
"""A line, and what good traffic for one node looks like on it.

`payload`: octets of a good one.  `recover`: characters after which a receiver is itself
again.  `quiet_ns`: idle time in which a node comes to rest.  `size_ns`: idle time that
ends a packet, kept after every one (framing silence).  `closer`: whether a packet ends
only where another begins.  `parity`: 0 none, 1 even, 2 odd, 3 mark, 4 space.
"""

CASE = _integers("number first rows before around")
"""One case: its number, its rows, how many good packets lead it, and which of the good
traffic after it there is: 1 the packet right after, 2 what fills the line."""

PIECE = _integers(
    "kind count own sound quiet gap_ns after_ns address payload sequence "
    "length_says redo check_xor check_turn check_from check_to literal literal_at "
    "head_at head_octets flip_at flip_mask flips shell "
    "again leading trailing cut escape_at escape_octet "
    "noise_before noise_at noise_octets noise_after "
    "hole_at hole_ns drip_ns flaw_at flaw_kind flaw_ns "
    "offset_ppm drift_ppm spike_at spike_ns reset_at reset_ns off pads"
)
"""One packet, or what is in place of one.

`own`: 1 this node's, 2 everybody's, 0 somebody else's.  `sound`: whether nothing is
wrong with it.  `quiet`: how often the node comes to rest before it.  `pads`: it is what
fills the line until a receiver is itself again.  Places count octets on the line from
the packet's first; -1 is nowhere.
"""

NOWHERE = (
    _integers(
        "length_says head_at flip_at cut escape_at noise_at hole_at flaw_at spike_at "
        "reset_at"
    ).names
    or ()
)
"""What is -1 in a piece that it does not concern."""

STATE = _integers(
    "ns rem open octets runs flaws sent payload resets sequence number piece"
)
"""Where the line is; rows written."""

SENT = _integers(
    "case kind own sound first octets start_ns last_bit_ns payload_at payload_octets "
    "address flips"
)
"""One piece on the line: the case and the attack, and what `PIECE` says of it."""

LAID = _integers("first start_ns attack_ns good_ns last_ns end_ns")
"""One case on the line: its first character; when it begins; when its attack begins and
ends; when the last good packet begins; when all is at rest again."""

_RULE_NUMBERS = _integers(
    "delimiter delimiter_octet marker_octets longest_raw silence_ns pause_ns "
    "reject_flaws resync stuffing escape head tail least most sized literals "
    "length_adds check_start check_end mask address broadcasts mute ready_ns "
    "character_ns window data_octets on_sync"
)

RULE = np.dtype(
    [
        *((name, "i8") for name in _RULE_NUMBERS.names or ()),
        ("address_field", "i8", 3),
        ("length_field", "i8", 3),
        ("check_field", "i8", 3),
        ("marker", "u1", 64),
        ("codes", "i8", 256),
        ("literal_at", "i8", 64),
        ("literal_is", "i8", 64),
        ("broadcast", "i8", 64),
    ],
    align=True,
)
"""What a receiver goes by that follows the profile.  Fields: place (from the packet's
end where negative), octets, and whether the low one comes first."""

FORWARD, TIMEOUT, RESCAN = range(3)
UNSTUFFED, COBS, ESCAPED, FLIPPED = range(4)
"""Policies and stuffings, as in `bench.wire`."""

FOUND = _integers(
    "begin_ns end_ns first end data_at everyone fits must by_ns waits row said"
)
"""One packet that the referee finds sound and for the node.

`first`, `end`: places on the line.  `must`: the node has no excuse not to show it by
`by_ns`; `waits`: packets before it that may still have been on their way.  `row`: the
burst that shows it, or -1.  `said`: whether the node says that it did not show it.
"""

BREACH = _integers("oracle ns")
"""What should not have been, and when."""

(
    UNSOUND,
    FOREIGN,
    REPEATED,
    DATA,
    CLOCKS,
    LATCH,
    RECOVERY,
    ALIVE,
    LATENCY,
    COUNTERS,
    OVERRUN,
) = range(11)
"""Oracles, in the order of `bench.fuzz.oracles.ORACLES`."""

Parts = namedtuple(
    "Parts",
    [
        "plan",  # PLAN (1,)
        "state",  # STATE (1,)
        "pieces",  # PIECE, room for those of one case
        "flat",  # int64, the same memory
        "blank",  # int64, a piece that is a good packet
        "packets",  # bench.kernels.packets.Packets
        "strangers",  # int64, addresses of nobody on the bus
        "broadcasts",  # int64
        "keys",  # uint64 (3, 2): choices, payloads, noise
        "plain",  # uint8, room for one packet
        "wire",  # uint8, and for it as it is sent, with what is around it
        "edges",  # int64, level changes of one piece
        "literals",  # int64, places in a packet that hold what must be there
    ],
)

Out = namedtuple(
    "Out",
    ["octets", "starts", "runs", "flaws", "sent", "payload", "laid", "resets"],
)
"""The chunk that is written: uint8; int64 start of every character; RUN; FLAW; SENT;
uint8 payloads; LAID; int64 (n, 2): place of the first character after a reset, and its
instant."""

PIECES = 32
"""Room for the pieces of one case."""

MILLION = 1_000_000
