"""The packets that a receiver following the profile finds in what it heard.

The decoder is another program than the node, and standards check it.  What it finds
sound and for the node, a node may show; what it loses by chance, a node may lose.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.fuzz.oracles.heard import heard
from bench.wire.decoder import Decoder
from bench.wire.format import Delimiter
from bench.wire.states import Packet, Rejected

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.fuzz.attacks.laid import Laid
    from bench.fuzz.attacks.plan import Ground
    from bench.fuzz.oracles.heard import Heard
    from bench.node.spec import NodeSpec

__all__ = ["Found", "Reading", "read"]


@dataclass(frozen=True, slots=True)
class Found:
    """A sound packet for the node.

    Attributes:
        begin_ns: Its first start bit.
        end_ns: When it is known to be all there.
        first: Place on the line of its first character.
        end: One past its last.
        data: What the node takes of its payload.
        everyone: Whether it is for every node.
        fits: Whether that fills the lanes.
        must: Whether the node has no excuse not to show it.
        by_ns: Until when it has to be shown then.
        waits: Packets before it that may still have been on their way.
    """

    begin_ns: int
    end_ns: int
    first: int
    end: int
    data: bytes
    everyone: bool
    fits: bool
    must: bool = False
    by_ns: int = 0
    waits: int = 0


@dataclass(frozen=True, slots=True)
class Reading:
    """What a receiver makes of a line.

    Attributes:
        found: Sound packets for the node, in order.
        foreign: Payloads of sound packets for others.
        checked: How many were refused for their check.
    """

    found: list[Found]
    foreign: list[bytes]
    checked: int


def read(laid: Laid, resets: Sequence[tuple[int, int]], lost: set[int]) -> Reading:
    """Read the line of a case as the node's receiver had it."""
    reader = _Reader(laid.ground)
    for character in heard(laid, resets, lost):
        reader.take(character)
    reader.end(laid.line.until_ns)
    found = _excused(reader.found, laid.ground, resets)
    return Reading(found, reader.foreign, reader.checked)


class _Reader:
    """The decoder, character by character, with the instants."""

    def __init__(self, ground: Ground) -> None:
        self._ground = ground
        self._heard: list[Heard] = []
        self._base = 0
        self._decoder = Decoder(ground.form, ground.spec.resync)
        self._silent = ground.form.delimiting.kind == Delimiter.SILENCE
        self._silence_ns = ground.form.delimiting.silence_ns or 0
        self.found: list[Found] = []
        self.foreign: list[bytes] = []
        self.checked = 0

    def take(self, character: Heard) -> None:
        """One character that got in."""
        if character.reset_ns >= 0:
            self.end(character.reset_ns)
            self._decoder = Decoder(self._ground.form, self._ground.spec.resync)
            self._base = len(self._heard)
        if character.gap_ns > 0:
            self._decoder.gap(character.gap_ns)
            self._note(self._known_ns(character.gap_ns, character.end_ns))
        self._heard.append(character)
        if character.flaw:
            self._decoder.flaw(character.octet, character.flaw)
        else:
            self._decoder.octets(bytes([character.octet]))
        self._note(character.end_ns)

    def end(self, until_ns: int) -> None:
        """The line idles until an instant."""
        if self._silent and len(self._heard) > self._base:
            idle_ns = until_ns - self._heard[-1].end_ns
            if idle_ns > 0:
                self._decoder.gap(idle_ns)
                self._note(self._known_ns(idle_ns, until_ns))

    def _known_ns(self, idle_ns: int, next_ns: int) -> int:
        """When a node knows that the line has idled for so long.

        A timeout tells it only where silences end packets; else the next character
        does.
        """
        if not self._silent or len(self._heard) == self._base:
            return next_ns
        return self._heard[-1].end_ns + min(idle_ns, self._silence_ns)

    def _note(self, ns: int) -> None:
        """What the decoder made of it by an instant."""
        spec = self._ground.spec
        for event in self._decoder.events():
            if isinstance(event, Rejected):
                self.checked += event.reason == Drop.BAD_CHECK
            elif isinstance(event, Packet):
                mine, everyone = _whose(spec, event)
                if not mine:
                    self.foreign.append(event.payload)
                    continue
                data = _taken(spec, event.payload)
                first = self._heard[self._base + event.at]
                last = self._heard[self._base + event.end - 1]
                self.found.append(
                    Found(
                        first.start_ns,
                        ns,
                        first.place,
                        last.place + 1,
                        data,
                        everyone,
                        len(data) == spec.payload_octets,
                    )
                )


def _whose(spec: NodeSpec, packet: Packet) -> tuple[bool, bool]:
    """Whether a packet is for this node, and whether for every node."""
    layout = spec.packet.layout
    if layout.address is None or packet.address is None:
        return True, False
    everyone = packet.address in layout.broadcast
    mine = (packet.address & layout.mask) == (spec.address & layout.mask)
    return mine or everyone, everyone


def _taken(spec: NodeSpec, payload: bytes) -> bytes:
    """What a node takes of a payload."""
    if spec.window is None:
        return payload
    return payload[spec.window : spec.window + spec.payload_octets]


# --- what excuses a node --------------------------------------------------------------


def _excused(
    found: list[Found], ground: Ground, resets: Sequence[tuple[int, int]]
) -> list[Found]:
    """Which of them the node has to show, and by when.

    A buffer is certain to be free when few enough packets came in the time that a node
    takes for all that it can hold.
    """
    judged: list[Found] = []
    buffers = ground.spec.cost.receive_buffers + ground.spec.cost.word_buffers
    backlog_ns = buffers * ground.settle_ns
    instants = [at_ns for _, at_ns in resets]
    for index, packet in enumerate(found):
        since_ns = packet.begin_ns - backlog_ns
        anew = [at_ns for at_ns in instants if at_ns <= packet.begin_ns]
        since_ns = max([since_ns, *anew])
        waits = 0
        for before in reversed(found[:index]):
            if before.end_ns <= since_ns:
                break
            waits += 1
        by_ns = packet.end_ns + (waits + 1) * ground.settle_ns
        cut = any(packet.begin_ns < at_ns <= by_ns for at_ns in instants)
        shows = packet.fits and not (ground.spec.on_sync and packet.everyone)
        must = shows and waits <= ground.waits and not cut
        judged.append(replace(packet, must=must, by_ns=by_ns, waits=waits))
    return _synced(judged, ground, instants) if ground.spec.on_sync else judged


def _synced(found: list[Found], ground: Ground, instants: Sequence[int]) -> list[Found]:
    """Where packets wait for a sync: one must be shown if its sync comes at rest."""
    judged = []
    for index, packet in enumerate(found):
        must, by_ns = False, packet.by_ns
        if packet.must and not packet.everyone and index + 1 < len(found):
            after = found[index + 1]
            must = after.everyone and after.begin_ns >= packet.by_ns
            by_ns = after.end_ns + ground.settle_ns
            must = must and not any(
                packet.begin_ns < at_ns <= by_ns for at_ns in instants
            )
        judged.append(replace(packet, must=must, by_ns=by_ns))
    return judged
