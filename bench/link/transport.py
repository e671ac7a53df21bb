"""What moves octets: a serial port, a pty, a loop, a datagram socket, a child program.

A transport knows nothing of packets, of pacing or of nodes.  It never blocks but in
`wait`, which is bounded; it owns what it opened until it is closed; and whatever the
system throws when the far end goes away becomes one `LinkError`, the same however often
it is met again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Can:
    """What a transport can do and tell.  What it cannot tell is not observable.

    Attributes:
        hears: Whether anything can come back.
        keeps_baud: Whether something below keeps the bit rate (a UART does; a pty, a
            socket and a pipe do not, so the bench paces by itself).
        keeps_packets: Whether what is written at once arrives at once (datagrams).
        breaks: Whether it can hold the line low.
        ninth_bit: Whether it can send characters whose ninth bit is set.
        tells_flaws: Whether line errors of received characters are told.
        tells_unsent: Whether it tells how many octets wait below it.
    """

    hears: bool = True
    keeps_baud: bool = False
    keeps_packets: bool = False
    breaks: bool = False
    ninth_bit: bool = False
    tells_flaws: bool = False
    tells_unsent: bool = False


@dataclass(frozen=True, slots=True)
class Heard:
    """Octets that came, as one read returned them.

    Attributes:
        octets: What came; 00h where a break did.
        at_ns: Instant of the clock at which the read returned: the octets came before.
        flaws: Pairs of an index into `octets` and a `Flaw`, where they are told.
    """

    octets: bytes
    at_ns: int
    flaws: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Told:
    """What a transport knows of itself, for ledger and verdict.

    Attributes:
        facts: What it is and how it is set, read back where that is possible: port,
            adapter, speed asked for and got, exclusive or not, latency timer.
        counts: What was counted below; a value is None where it is not observable:
            "framing", "parity", "overrun", "breaks", for instance.
        notes: Sentences that a reader has to know.
    """

    facts: Mapping[str, Any] = field(default_factory=dict)
    counts: Mapping[str, int | None] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


class Transport(Protocol):
    """A way for octets.  `LinkError` from any method means that it is lost."""

    @property
    def name(self) -> str:
        """What the user called it: "loop", "/dev/ttyX", "socket://…"."""
        ...

    @property
    def can(self) -> Can:
        """What it can do and tell."""
        ...

    def write(self, octets: memoryview) -> int:
        """Hand over octets, at once.

        Returns:
            How many were accepted, from the first on; 0 if there is no room now.  These
            and no others are on their way, exactly.
        """
        ...

    def read(self) -> Heard | None:
        """What has come by now; None if nothing has."""
        ...

    def wait(self, seconds: float, *, room: bool) -> None:
        """Until there is something to read, or (`room`) to write, or time has passed.

        It may return early; it never returns late by more than the system's sleep.
        """
        ...

    def unsent(self) -> int | None:
        """Octets accepted that have not left yet; None: not observable."""
        ...

    def hold_low(self, ns: int) -> int:
        """Hold the line low for at least so long, everything before it sent.

        Returns:
            How long it was low, measured around the calls that did it, in ns.

        Raises:
            LinkError: If it cannot (see `Can.breaks`), or is lost.
        """
        ...

    def told(self) -> Told:
        """What it knows of itself by now."""
        ...

    def close(self) -> None:
        """Let go; bounded; a second time does nothing."""
        ...
