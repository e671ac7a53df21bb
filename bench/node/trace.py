"""What the pins of one burst did, edge by edge: for pictures and for calibration.

Too much for a trial, so it is worked out only in trace mode, from a burst's rows, the
node's specification, and what the kernel notes as it goes: words that a handler moved,
lanes that began.  Times are those of `MODEL.md`: the clock on its exact grid from the
burst's beginning, periods after the last word counted from its end, port words late by
their drawn jitter.  A burst that made no row leaves no edges.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.base.columns import Rows
    from bench.node.spec import NodeSpec

    Times = NDArray[np.int64]

EDGE = np.dtype(
    [("ns", "i8"), ("burst", "i8"), ("kind", "i8"), ("lane", "i8")], align=True
)
"""One thing that a pin did: when, in which burst of its node, what, and on which lane
(-1: on all of them at once)."""

WORD, RISE, FALL = range(3)
"""A port word moved to the lanes; the clock rose; the clock fell."""


class Trace:
    """Edges of one node's bursts, as their rows come."""

    def __init__(self, spec: NodeSpec, seed: int) -> None:
        """Begin with no burst.

        Args:
            spec: The node.
            seed: Of its random delays.
        """
        self._spec = spec
        self._seed = seed
        self._moved: dict[int, list[int]] = {}
        self._lanes: dict[int, list[int]] = {}
        self._numbers: dict[int, int] = {}
        self._told = (-1, 0)

    def note(self, noted: Rows) -> None:
        """Keep what the kernel noted.

        Args:
            noted: `INTERRUPT` rows of the kernel that are none.
        """
        from bench.kernels.node.records import MOVED, STARTED

        for ns, number, kind in noted.tolist():
            if kind == STARTED:
                self._numbers[ns] = number
            else:
                kept = self._moved if kind == MOVED else self._lanes
                kept.setdefault(number, []).append(ns)

    def edges(self, shown: Rows, cut_ns: int | None = None) -> Rows:
        """Everything that the pins did in some bursts.

        Args:
            shown: Their `SHOWN` rows.
            cut_ns: When a reset cut the last of them off.

        Returns:
            `EDGE` rows, burst by burst in order of time; at one instant words before
            rises before falls, the lower lane first.
        """
        parts = [np.empty(0, EDGE)]
        for row in shown:
            number = self._numbers[int(row["burst_ns"])]
            first = self._told[1] if self._told[0] == number else 0
            clocks = first + int(row["clocks"])
            self._told = number, clocks
            parts.append(self._burst(row, number, (first, clocks), cut_ns))
        return np.concatenate(parts)

    def _burst(
        self, row: np.void, number: int, part: tuple[int, int], cut_ns: int | None
    ) -> Rows:
        """The edges of one row."""
        spec, output = self._spec, self._spec.output
        begin_ns, end_ns = int(row["burst_ns"]), int(row["end_ns"])
        if output.method == "timer":
            moved = np.array(self._moved[number][part[0] : part[1]], np.int64)
            rows = self._timed(moved)
        elif output.method == "port":
            rows = self._port(number, begin_ns)
        elif output.signal == "uart":
            moved = begin_ns + _places(spec, np.arange(output.clocks), 0)
            moved += lateness(spec, number, self._seed)
            rows = _rows(moved[: part[1]], WORD)
        else:
            rows = self._clocked(number, begin_ns, part[1], end_ns)
        if cut_ns is not None:
            rows = rows[rows["ns"] < cut_ns]
        rows["burst"] = number
        return rows[np.lexsort((rows["lane"], rows["kind"], rows["ns"]))]

    def _timed(self, moved: Times) -> Rows:
        """One interrupt a bit."""
        spec = self._spec
        if spec.output.signal == "uart":
            return _rows(moved, WORD)
        bit_ns = spec.cost.bit_ns
        return np.concatenate(
            (
                _rows(moved, WORD),
                _rows(moved + bit_ns // 2, RISE),
                _rows(moved + bit_ns, FALL),
            )
        )

    def _port(self, number: int, begin_ns: int) -> Rows:
        """Shifters, lane after lane."""
        spec, output = self._spec, self._spec.output
        lane_ns = int(_places(spec, np.array([output.clocks]), 0)[0])
        begun = [
            begin_ns + k * (lane_ns + output.lane_gap_ns) for k in range(output.lanes)
        ]
        if output.stop == "interrupt":
            begun = [begin_ns, *self._lanes.pop(number, [])]
        clocks = np.arange(output.clocks)
        parts = []
        for lane, ns in enumerate(begun):
            rise_ns = ns + _places(spec, clocks, output.rise_permille)
            parts.append(_rows(rise_ns, RISE, lane))
            parts.append(_rows(ns + _places(spec, clocks + 1, 0), FALL, lane))
        return np.concatenate(parts)

    def _clocked(self, number: int, begin_ns: int, clocks: int, end_ns: int) -> Rows:
        """Port words by DMA."""
        spec, output = self._spec, self._spec.output
        moved, rolls = self._words(number, begin_ns)
        late_ns = begin_ns + int(_places(spec, np.array([rolls]), 0)[0])
        count = np.arange(clocks)
        inside, after = count[:rolls], count[rolls:] - rolls
        rises, falls = (
            np.concatenate(
                (
                    begin_ns + _places(spec, inside + whole, permille),
                    late_ns + _places(spec, after + whole, permille),
                )
            )
            for whole, permille in ((0, output.rise_permille), (1, 0))
        )
        # A clock that is stopped while it is high falls then.
        falls = np.minimum(falls, end_ns)
        return np.concatenate(
            (_rows(moved, WORD), _rows(rises, RISE), _rows(falls, FALL))
        )

    def _words(self, number: int, begin_ns: int) -> tuple[Times, int]:
        """When the port words moved; the rollover from which the clock is stopped."""
        spec, output = self._spec, self._spec.output
        late = lateness(spec, number, self._seed)
        lead = -(-output.lead_ns * output.clock_hz // NS_PER_S)
        asked = np.arange(lead, lead + output.clocks)
        rolls = lead + output.clocks
        if output.transfer_jitter_ns > NS_PER_S // output.clock_hz:
            k = lead
            for word, late_ns in enumerate(late.tolist()):
                asked[word] = k
                at_ns = int(_places(spec, asked[word : word + 1], 0)[0])
                k += 1
                while int(_places(spec, np.array([k]), 0)[0]) < at_ns + late_ns:
                    k += 1
            if output.stop != "count":
                rolls = int(asked[-1]) + 1
        # A timer that stands still asks for no more words.
        asked = asked[asked < rolls]
        rolls += self._spec.quirks.clock_bias
        return begin_ns + _places(spec, asked, 0) + late[: len(asked)], rolls


def _rows(ns: Times, kind: int, lane: int = -1) -> Rows:
    rows = np.zeros(len(ns), EDGE)
    rows["ns"], rows["kind"], rows["lane"] = ns, kind, lane
    return rows


def _places(spec: NodeSpec, periods: NDArray[np.int64], permille: int) -> Times:
    """Places on the clock's grid, rounded down to whole nanoseconds."""
    parts = (1000 * periods.astype(np.int64) + permille) * (NS_PER_S // 1000)
    places: Times = parts // spec.output.clock_hz
    return places


def lateness(spec: NodeSpec, number: int, seed: int) -> Times:
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
    late: Times = (
        (high * limit + (low * limit >> np.uint64(32))) >> np.uint64(32)
    ).astype(np.int64)
    return late
