"""Traffic that was drawn: pieces, the octets and the line that they make.

A piece is a packet or what an attacker makes of one: a row of symbols, which are runs
of octets, idle times, and characters with something about them (line errors, breaks, a
set ninth bit).  What takes octets alone, a program's standard input or a pty, can be
given traffic without idle times and flaws; a simulated bus takes it all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from bench.base.columns import FLAW, RUN, Flaw, Line
from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from bench.profile import Profile
    from bench.profile.model import Node

__all__ = ["Idle", "Marked", "Piece", "Run", "Symbol", "Traffic", "calm_ns"]


class Run(NamedTuple):
    """Octets one after another."""

    octets: bytes


class Idle(NamedTuple):
    """The line is idle for so long, beside any idle time before and after."""

    ns: int


class Marked(NamedTuple):
    """A character with something about it, or a break.

    Attributes:
        octet: Its octet; 00h for a break.
        kind: A `Flaw`.
        length_ns: Of a break.
    """

    octet: int
    kind: Flaw
    length_ns: int = 0


Symbol = Run | Idle | Marked


@dataclass(frozen=True)
class Piece:
    """A packet, or what is sent instead of one.

    Attributes:
        what: "good", or the name of a hostile kind.
        symbols: What is sent.
    """

    what: str
    symbols: tuple[Symbol, ...]

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:  # noqa: ARG002
        """How hypothesis tells of it."""
        printer.text(repr(self))

    def __repr__(self) -> str:
        return f"{self.what}: {' '.join(map(_shown, self.symbols))}"


@dataclass(frozen=True)
class Traffic:
    """Pieces one after another.

    Attributes:
        profile: Whose packets they are.
        pieces: The pieces.
        idle_ns: Idle time after each of them.
    """

    profile: Profile
    pieces: tuple[Piece, ...]
    idle_ns: int = 0

    def _repr_pretty_(self, printer: Any, cycle: bool) -> None:  # noqa: ARG002
        """How hypothesis tells of it."""
        printer.text(repr(self))

    def __repr__(self) -> str:
        gap = f", {self.idle_ns} ns idle after each" if self.idle_ns else ""
        pieces = "".join(f"\n    {piece!r}" for piece in self.pieces)
        return f"traffic for {self.profile.name}{gap}{pieces}"

    @property
    def symbols(self) -> Iterator[Symbol]:
        """Everything that is sent, in order."""
        for piece in self.pieces:
            yield from piece.symbols
            if self.idle_ns:
                yield Idle(self.idle_ns)

    @property
    def octets(self) -> bytes:
        """The octets, for what takes octets alone.

        Raises:
            ValueError: If there is more to it: a line error, a break, a ninth bit, or
                idle time.
        """
        octets = bytearray()
        for symbol in self.symbols:
            if not isinstance(symbol, Run):
                raise ValueError(f"no octets say this: {_shown(symbol)}")
            octets += symbol.octets
        return bytes(octets)

    @cached_property
    def shown(self) -> Mapping[str, list[bytes]]:
        """What every node shows that follows the profile: its octets, in order.

        A node that has the time for it, that is: see `calm_ns`.
        """
        # A cycle otherwise: what is shown is worked out of what was drawn.
        from bench.strategies.shown import shown_of

        return shown_of(self.profile, list(self.symbols))

    def line(self, first: int = 0, start_ns: int = 0) -> Line:
        """The line, up to where every node has come to rest.

        Args:
            first: Global index of its first character.
            start_ns: When its first character starts.
        """
        pitch = self.profile.bus.pitch
        place = (start_ns, 0)
        octets, flaws, runs = bytearray(), [], []
        broken = True  # a run ends where the next character does not follow at once
        for symbol in self.symbols:
            if isinstance(symbol, Idle):
                place = (place[0] + symbol.ns, place[1])
                broken = broken or symbol.ns > 0
                continue
            if broken:
                runs.append((len(octets), *place))
                broken = False
            if isinstance(symbol, Run):
                octets += symbol.octets
                place = pitch.after(len(symbol.octets), *place)
                continue
            flaws.append((len(octets), symbol.length_ns, int(symbol.kind)))
            octets.append(symbol.octet)
            if symbol.kind == Flaw.BREAK:
                place, broken = (place[0] + symbol.length_ns, place[1]), True
            else:
                place = pitch.after(1, *place)
        return Line(
            np.frombuffer(bytes(octets), np.uint8),
            np.array(runs, RUN),
            np.array(flaws, FLAW),
            first,
            place[0] + calm_ns(self.profile),
        )


def calm_ns(profile: Profile) -> int:
    """Idle time after which every node has shown what it had, with room to spare."""
    at_rest = max(_busy_ns(node) for node in profile.node)
    silence = profile.packet.silence_ns or 0
    return 4 * at_rest + 2 * silence + profile.bus.character.at(64)


def _busy_ns(node: Node) -> int:
    """What a packet of a node takes until it is shown, interrupts left out."""
    processor, output = node.processor, node.output
    rearrange = processor.rearrange
    work = rearrange.fixed_ns + rearrange.per_octet_ns * output.payload_octets
    burst = round(output.burst_s * NS_PER_S) + output.lead_ns + output.stop_latency_ns
    gaps = output.latch_gap_ns + (output.kept_gap_ns or output.latch_gap_ns)
    idle = processor.uart.idle_timeout_ns or 0
    return work + rearrange.start_output_ns + burst + gaps + idle


def _shown(symbol: Symbol) -> str:
    """A symbol for people."""
    if isinstance(symbol, Run):
        return symbol.octets.hex(" ").upper()
    if isinstance(symbol, Idle):
        return f"({symbol.ns} ns idle)"
    if symbol.kind == Flaw.BREAK:
        return f"(break of {symbol.length_ns} ns)"
    if symbol.kind == Flaw.ADDRESS:
        return f"{symbol.octet:02X}'"
    return f"({symbol.kind.name.lower()} error at {symbol.octet:02X})"
