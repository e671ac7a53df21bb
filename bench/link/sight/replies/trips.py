"""Round trips: how long answers took, and whether it was the adapter that took so long.

A round trip runs from the first start bit of a packet, as planned, to the return of the
read that brought its answer's last octet.  So packet and answer on the line, the host
and the adapter are in it, and the node is what is left.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.link.percentiles import Histogram
from bench.link.quantum import find_quantum

if TYPE_CHECKING:
    from bench.link.quantum import Quantum

QUANTILES = (
    "nearest rank (Hyndman and Fan type 1), upper edge of a bin up to 1/512 wide"
)
"""Stated beside every quantile."""

_KEPT = 1 << 14
"""Round trips that are looked at for a quantum, the first ones."""


class Trips:
    """Round trips of a trial."""

    def __init__(self) -> None:
        self._histogram = Histogram()
        self._kept: list[int] = []

    def add(self, ns: int) -> None:
        """One more."""
        self._histogram.add(np.array([max(0, ns)], np.int64))
        if len(self._kept) < _KEPT:
            self._kept.append(ns)

    @property
    def quantum(self) -> Quantum | None:
        """The step of which they are multiples."""
        return find_quantum(np.array(self._kept, np.int64))

    def figures(self, packet_ns: int, answer_ns: int) -> dict[str, Any]:
        """Strict JSON.

        Args:
            packet_ns: A packet's time on the line.
            answer_ns: An answer's.
        """
        percentiles = self._histogram.percentiles()
        quantum = self.quantum
        return {
            "n": self._histogram.total,
            "ns": percentiles and percentiles.as_dict(),
            "quantiles": QUANTILES,
            "from": "first start bit of the packet, as planned",
            "to": "return of the read that brought the answer's last octet",
            "packet_ns": packet_ns,
            "answer_ns": answer_ns,
            "adapter_limited": quantum is not None,
            "quantum": quantum and quantum.as_dict(),
        }

    def notes(self) -> list[str]:
        """What a reader has to know of them."""
        quantum = self.quantum
        if quantum is None:
            return []
        share, ms = 100 * quantum.share, quantum.ns / 1e6
        words = (
            f"round trips are adapter-limited: {share:.3g} % of them are multiples of "
            f"{ms:.4g} ms, so they say nothing of the node"
        )
        return [words]
