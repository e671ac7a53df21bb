"""What a node's record points to.

line        octets; `RUN` and `FLAW` rows of the chunk; steps, two numbers each:
            from a character to the k-th after it, on the exact grid
memory      survivors; `SPAN` and `MARK` rows; receive buffers and port words (on UART
            lanes and with hardware shifters: payloads), one after the other; slots, two
            numbers each, and `HELD` rows: the span on the line of what such a buffer
            holds; dark, the port words of darkness; moves, a number each: when the port
            words of the burst moved, where the clock does not tell; level, the port
            word that the last burst left on the lanes, and the burst before; chain,
            what the chains hold, and what they held before that burst; scratch
format      `CHECK`, its tables; literals, two numbers each: a place and the octet
            that must be there; broadcast addresses; codes, the octet for each
            escape code or -1; marker
rows        what comes out: `SHOWN` and its data, `DROPPED`, `LOST` and, where there
            is room for any, `INTERRUPT`
"""

from __future__ import annotations

import numpy as np

from bench.kernels.jit import melted
from bench.kernels.node.records import HELD, INTERRUPT, MARK, SPAN
from bench.kernels.pointers import integer_at, octet_at, put_integer, record_at, within

# The columns of `bench.base.columns` once more: kernels import nothing of it.
RUN = np.dtype([("first", "i8"), ("start_ns", "i8"), ("start_rem", "i8")], align=True)
FLAW = np.dtype([("at", "i8"), ("length_ns", "i8"), ("kind", "i8")], align=True)
DROPPED = np.dtype(
    [("ns", "i8"), ("first", "i8"), ("end", "i8"), ("node", "i8"), ("reason", "i8")],
    align=True,
)
LOST = np.dtype(
    [("at", "i8"), ("ns", "i8"), ("node", "i4"), ("doing", "i4")], align=True
)
SHOWN = np.dtype(
    [
        ("burst_ns", "i8"),
        ("first_bit_ns", "i8"),
        ("end_ns", "i8"),
        ("shown_ns", "i8"),
        ("clocks", "i8"),
        ("data_at", "i8"),
        ("data_octets", "i8"),
        ("node", "i8"),
        ("marginal", "i8"),
        ("lane_skew_ns", "i8"),
    ],
    align=True,
)

# Octets of an element; of one type, since a literal would compile `within` anew.
_OCTET, _WORD, _PAIR, _TRIPLE, _DROPPED, _SHOWN = (
    np.int64(size) for size in (1, 8, 16, 24, 40, 80)
)


@melted
def line_octet(node, i):
    """The octet of a character of the chunk."""
    return octet_at(within(node.line_octets_at, i, _OCTET, node.line_octets))


@melted
def line_run(node, i):
    """A `RUN` row of the chunk."""
    return record_at(within(node.line_runs_at, i, _TRIPLE, node.line_runs), RUN)


@melted
def line_flaw(node, i):
    """A `FLAW` row of the chunk."""
    return record_at(within(node.line_flaws_at, i, _TRIPLE, node.line_flaws), FLAW)


@melted
def survivor_at(node, at):
    """Where a survivor is kept."""
    return within(node.survivors_at, at, _OCTET, node.survivors_room)


@melted
def survivor(node, at):
    """A survivor."""
    return octet_at(survivor_at(node, at))


@melted
def span(node, i):
    """A `SPAN` row."""
    return record_at(within(node.spans_at, i, _PAIR, node.spans_room), SPAN)


@melted
def mark(node, i):
    """A `MARK` row."""
    return record_at(within(node.marks_at, i, _PAIR, node.marks_room), MARK)


@melted
def receive_buffer_at(spec, node, count):
    """Where the receive buffer of the count-th packet is."""
    return node.receive_at + spec.payload_octets * (count % spec.receive_buffers)


@melted
def slot(spec, node, count):
    """The span on the line of what that buffer holds, as (`at`, `place`)."""
    return record_at(node.slots_at + 16 * (count % spec.receive_buffers), SPAN)


@melted
def port_words_at(spec, node, count):
    """Where the port words of the count-th burst are."""
    return node.words_at + spec.words_octets * (count % spec.word_buffers)


@melted
def word_slot(spec, node, count):
    """A `HELD` row: what those came from."""
    return record_at(node.word_slots_at + 24 * (count % spec.word_buffers), HELD)


@melted
def burst_words_at(spec, node):
    """Where the port words of the burst under way, or the last one, are."""
    return node.dark_at if node.dark else port_words_at(spec, node, node.rested)


@melted
def move(spec, node, k):
    """When port word k of the burst moved."""
    return integer_at(within(node.moves_at, k, _WORD, spec.clocks))


@melted
def put_move(spec, node, k, ns):
    """Note when port word k of the burst moved."""
    put_integer(within(node.moves_at, k, _WORD, spec.clocks), ns)


@melted
def shown_row(node, i):
    """A `SHOWN` row to be written."""
    return record_at(within(node.shown_at, i, _SHOWN, node.shown_room), SHOWN)


@melted
def dropped_row(node, i):
    """A `DROPPED` row to be written."""
    return record_at(within(node.dropped_at, i, _DROPPED, node.dropped_room), DROPPED)


@melted
def lost_row(node, i):
    """A `LOST` row to be written."""
    return record_at(within(node.lost_at, i, _TRIPLE, node.lost_room), LOST)


@melted
def traced_row(node, i):
    """An `INTERRUPT` row to be written."""
    return record_at(within(node.traced_at, i, _TRIPLE, node.traced_room), INTERRUPT)


@melted
def trace(node, start_ns, end_ns, kind):
    """An `INTERRUPT` row, in trace mode."""
    if node.traced_room:
        row = traced_row(node, node.traced)
        row.start_ns = start_ns
        row.end_ns = end_ns
        row.kind = kind
        node.traced += 1
