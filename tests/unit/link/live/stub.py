"""A transport without a system: it keeps what it took and when, and does as it is told.

Waiting on it moves the clock, so that hours pass at once.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_octets, no_rows
from bench.link.live import LiveLink, LiveRules
from bench.link.ports import LinkLostError
from bench.link.sight import BlindSighter
from bench.link.transport import Can, Heard, Told
from bench.profile.model import Bus

if TYPE_CHECKING:
    from bench.link.evidence import Evidence

MS = 1_000_000
BAUD = 1_000_000  # a character of 10 bits takes 10 us
CHARACTER_NS = 10_000


def bus(baud: int = BAUD) -> Bus:
    """A line of 8N1."""
    return Bus.model_validate({"baud": f"{baud} baud"})


class Stub:
    """See the module.

    Attributes:
        took: Octets and the instant at which they were accepted.
        room: Octets that it has room for; None: any number.
        jumps: By write call: how long the host is away before it.
        coming: What is to be heard, and from when on.
    """

    def __init__(self, clock: Any, can: Can | None = None) -> None:
        self.clock, self.can, self.name = clock, can or Can(), "stub"
        self.took: list[tuple[bytes, int]] = []
        self.room: int | None = None
        self.opens_ns: int | None = None
        self.coming: deque[tuple[int, bytes]] = deque()
        self.lost_ns: int | None = None
        self.back_ns: int | None = None
        self.queued: int | None = None
        self.breaks: list[int] = []
        self.marked: list[tuple[int, int]] = []
        self.closed = False

    @property
    def octets(self) -> bytes:
        """Everything that was accepted."""
        return b"".join(octets for octets, _ in self.took)

    @property
    def times(self) -> list[int]:
        """When each octet was accepted."""
        return [at for octets, at in self.took for _ in octets]

    def _check(self) -> None:
        now_ns = self.clock.now_ns()
        if self.lost_ns is not None and now_ns >= self.lost_ns:
            raise LinkLostError(self.name, "unplugged", self.lost_ns)

    def write(self, octets: memoryview) -> int:
        """See `Transport`."""
        self._check()
        now_ns = self.clock.now_ns()
        if self.opens_ns is not None and now_ns >= self.opens_ns:
            self.room = self.opens_ns = None
        count = len(octets) if self.room is None else min(self.room, len(octets))
        if self.room is not None:
            self.room -= count
        if count:
            self.took.append((bytes(octets[:count]), now_ns))
        return count

    def read(self) -> Heard | None:
        """See `Transport`."""
        self._check()
        if not self.coming or self.coming[0][0] > self.clock.now_ns():
            return None
        return Heard(self.coming.popleft()[1], self.clock.now_ns())

    def wait(self, seconds: float, *, room: bool) -> None:
        """See `Transport`."""
        self._check()
        now_ns, ns = self.clock.now_ns(), round(seconds * 1e9)
        if self.coming:
            ns = min(ns, max(0, self.coming[0][0] - now_ns))
        if room and self.opens_ns is not None:
            ns = min(ns, max(0, self.opens_ns - now_ns))
        self.clock.sleep(ns / 1e9)
        self._check()

    def unsent(self) -> int | None:
        """See `Transport`."""
        self._check()
        return self.queued

    def hold_low(self, ns: int) -> int:
        """See `Transport`."""
        self._check()
        self.clock.sleep((ns + 30_000) / 1e9)
        self.breaks.append(ns)
        self.took.append((b"\0", self.clock.now_ns()))
        return ns + 30_000

    def put(self, octet: int, flaw: int) -> None:
        """See `Transport`."""
        self.marked.append((octet, int(flaw)))
        self.took.append((bytes([octet]), self.clock.now_ns()))

    def reopen(self, seconds: float) -> bool:
        """See `Transport`."""
        self.clock.sleep(seconds)
        if self.back_ns is None or self.clock.now_ns() < self.back_ns:
            return False
        self.lost_ns = self.back_ns = None
        return True

    def told(self) -> Told:
        """See `Transport`."""
        return Told({"kind": "stub"}, {"overrun": None})

    def close(self) -> None:
        """See `Transport`."""
        self.closed = True


def link_over(
    stub: Stub, *, sighter: Any = None, baud: int = BAUD, stop: Any = None, **rules: Any
) -> LiveLink:
    """A live link over a stub; nothing is observed unless said."""
    sighter = sighter or BlindSighter("nobody looks")
    given = LiveRules(**{"listen_ns": 0, **rules})
    return LiveLink(stub, bus(baud), sighter, stub.clock, given, stop or (lambda: None))


def line_of(
    octets: bytes,
    runs: list[tuple[int, int]],
    *,
    first: int = 0,
    flaws: list[tuple[int, int, int]] | None = None,
    until_ns: int | None = None,
) -> Line:
    """A chunk of a line whose runs begin at whole nanoseconds."""
    rows = np.array([(at, ns, 0) for at, ns in runs], RUN)
    if until_ns is None:
        until_ns = runs[-1][1] + (len(octets) - runs[-1][0]) * CHARACTER_NS
    return Line(
        np.frombuffer(octets, np.uint8),
        rows,
        np.array(flaws or [], FLAW),
        first,
        until_ns,
    )


def rest_until(ns: int, first: int = 0) -> Line:
    """A chunk without characters."""
    return Line(no_octets(), no_rows(RUN), no_rows(FLAW), first, ns)


def packets(*spans: tuple[int, int, int]) -> Sent:
    """Packets by first character, characters and last bit; nobody's."""
    rows = np.zeros(len(spans), SENT)
    for row, (first, octets, last_ns) in zip(rows, spans, strict=True):
        row["first"], row["octets"], row["last_bit_ns"] = first, octets, last_ns
        row["frame"] = row["payload_at"] = row["to"] = -1
    return Sent(rows, no_octets())


def counter(count: int) -> bytes:
    """A counting pattern."""
    return bytes(k % 251 for k in range(count))


def figures_of(evidence: Evidence) -> dict[str, Any]:
    """The figures, as a dictionary that can be looked into."""
    return dict(evidence.figures)
