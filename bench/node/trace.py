"""What the pins of one burst did, edge by edge: for pictures and for calibration.

Too much for a trial, so it is worked out only in trace mode, from a burst's row and
the node's specification.  Times are those of `MODEL.md`: the clock on its exact grid
from the burst's beginning, periods after the last word counted from its end, port words
late by their drawn jitter.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key

if TYPE_CHECKING:
    from bench.base.columns import Rows
    from bench.node.spec import NodeSpec

EDGE = np.dtype([("ns", "i8"), ("burst", "i8"), ("kind", "i8")], align=True)
"""One thing that a pin did: when, in which burst of its node, and what."""

WORD, RISE, FALL = range(3)
"""A port word moved to the lanes; the clock rose; the clock fell."""


def edges_of(spec: NodeSpec, burst: Any, number: int, seed: int) -> Rows:
    """Everything that the lanes and the clock of one node did in one burst.

    Args:
        spec: The node.
        burst: Its `SHOWN` row.
        number: Which burst of the node, from zero.
        seed: Of its random delays.

    Returns:
        `EDGE` rows in order of time; at one instant words before rises before falls.
    """
    output, begin_ns = spec.output, int(burst["burst_ns"])
    clocks = int(burst["clocks"])
    words = begin_ns + _places(spec, np.arange(output.clocks), 0)
    words += _jitter(spec, number, seed)
    late = begin_ns + _places(spec, np.array([output.clocks]), 0)[0]
    count = np.arange(clocks)
    inside = count[: output.clocks]
    after = count[output.clocks :] - output.clocks
    rises, falls = (
        np.concatenate(
            (
                begin_ns + _places(spec, inside + whole, permille),
                late + _places(spec, after + whole, permille),
            )
        )
        for whole, permille in ((0, output.rise_permille), (1, 0))
    )
    # A clock that is stopped while it is high falls then.
    falls = np.minimum(falls, int(burst["end_ns"]))
    rows = np.zeros(len(words) + 2 * clocks, EDGE)
    rows["ns"] = np.concatenate((words, rises, falls))
    rows["kind"] = np.repeat([WORD, RISE, FALL], [len(words), clocks, clocks])
    rows["burst"] = number
    return rows[np.lexsort((rows["kind"], rows["ns"]))]


def _places(spec: NodeSpec, periods: np.ndarray, permille: int) -> np.ndarray:
    """Places on the clock's grid, rounded down to whole nanoseconds."""
    parts = (1000 * periods.astype(np.int64) + permille) * (NS_PER_S // 1000)
    return parts // spec.output.clock_hz


def _jitter(spec: NodeSpec, number: int, seed: int) -> np.ndarray:
    """How late each port word of a burst was: word w of stream "transfer"."""
    from bench.kernels.philox import fill

    most = spec.output.transfer_jitter_ns
    octets = np.zeros(8 * spec.output.clocks, np.uint8)
    if most:
        key = np.array(stream_key(seed, f"transfer {spec.index}"), np.uint64)
        fill(key[0], key[1], number, octets)
    # The upper half of word x (most + 1), as wherever a number is drawn below a limit.
    drawn = octets.view("<u8")
    high, low = drawn >> np.uint64(32), drawn & np.uint64(0xFFFFFFFF)
    limit = np.uint64(most + 1)
    return ((high * limit + (low * limit >> np.uint64(32))) >> np.uint64(32)).astype(
        np.int64
    )
