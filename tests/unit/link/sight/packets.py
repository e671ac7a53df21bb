"""Packets as a live link hands them to a sighter, one chunk each."""

from __future__ import annotations

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_rows


def columns(
    serial: int,
    first: int,
    octets: bytes,
    times_ns: tuple[int, int],
    payload: bytes | None = None,
    to: int = 0,
) -> tuple[Line, Sent]:
    """One packet in a chunk of its own.

    Args:
        serial: Its number.
        first: The place of its first character.
        octets: Its characters.
        times_ns: Its first start bit, and the end of its last bit.
        payload: What a node is to show of it; None if none is to.
        to: The node's index.
    """
    own, (start_ns, last_ns) = payload is not None, times_ns
    row = (
        *(serial, serial if own else -1, first, len(octets), start_ns, last_ns),
        *(0 if own else -1, len(payload or b""), octets[0], to if own else -1),
    )
    line = Line(
        np.frombuffer(octets, np.uint8),
        np.array([(0, start_ns, 0)], RUN),
        no_rows(FLAW),
        first,
        last_ns,
    )
    return line, Sent(np.array([row], SENT), np.frombuffer(payload or b"", np.uint8))
