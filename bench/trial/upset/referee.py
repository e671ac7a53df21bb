"""What a receiver that does everything right finds in what was heard.

A check of w bits lets one piece of rubbish in 2^w pass, and a payload can hold what
looks like the beginning of a packet.  Neither is the board's fault.  So the decoder,
which is another program than the node and is checked by standards, reads what the nodes
heard: what it finds sound, a node may show, and what it loses by chance, a node may
lose.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

from bench.base.columns import Drop
from bench.wire.decoder import Decoder
from bench.wire.states import Packet, Rejected

if TYPE_CHECKING:
    from bench.node.spec import NodeSpec
    from bench.wire.format import Format
    from bench.wire.waveform import Track


@dataclass(slots=True)
class Found:
    """What was found.

    Attributes:
        packets: (when it began, the packet) of every sound one.
        rejected: (when it began, when it ended, why) of what seemed to be one.
    """

    packets: list[tuple[int, Packet]] = field(default_factory=list)
    rejected: list[tuple[int, int, Drop]] = field(default_factory=list)

    def holds(self, spec: NodeSpec, data: bytes, until_ns: int) -> bool:
        """Whether a sound packet for a node, begun before an instant, holds this."""
        return any(
            began_ns < until_ns
            and _answers(spec, packet)
            and _taken(spec, packet) == data
            for began_ns, packet in self.packets
        )

    def swallowed(self, begin_ns: int, end_ns: int, since_ns: int) -> bool:
        """Whether what began after an instant and is no packet lies over a packet.

        Args:
            begin_ns: When the packet begins,
            end_ns: and ends.
            since_ns: The instant.
        """
        return any(
            since_ns <= began_ns < end_ns and ended_ns > begin_ns
            for began_ns, ended_ns, _ in self.rejected
        )

    def refused(self, from_ns: int, until_ns: int) -> int:
        """How much was refused for its check alone in a stretch of time."""
        return sum(
            began_ns < until_ns and ended_ns >= from_ns and reason == Drop.BAD_CHECK
            for began_ns, ended_ns, reason in self.rejected
        )


def found_in(track: Track, first: int, form: Format, resync: str) -> Found:
    """Read a line from one of its characters on.

    Args:
        track: The line as it was heard.
        first: The character; what lies before it is as if it had never been heard.
        form: The packet format.
        resync: How the next packet is found after a bad one.
    """
    decoder = Decoder(form, resync)
    found = Found()
    flaws = {int(row["at"]): int(row["kind"]) for row in track.line.flaws}
    idle = dict(track.gaps(first)) if _minds_gaps(form) else {}
    seams = {first, len(track), *flaws, *(at + 1 for at in flaws), *idle}
    for at, end in pairwise(sorted(at for at in seams if first <= at <= len(track))):
        if at in idle:
            decoder.gap(max(0, idle[at]))
        if at in flaws:
            decoder.flaw(int(track.line.octets[at]), flaws[at])
        else:
            decoder.octets(track.line.octets[at:end].tobytes())
    decoder.finish()
    for event in decoder.events():
        if isinstance(event, Packet):
            found.packets.append((track.start_ns(first + event.at), event))
        elif isinstance(event, Rejected):
            last = min(len(track), first + event.end) - 1
            began_ns = track.start_ns(first + event.at)
            found.rejected.append((began_ns, track.end_ns(last), event.reason))
    return found


def _minds_gaps(form: Format) -> bool:
    """Whether idle time means anything."""
    limits = form.delimiting.silence_ns, form.delimiting.pause_ns
    return any(limit is not None for limit in limits)


def _answers(spec: NodeSpec, packet: Packet) -> bool:
    """Whether a packet is for a node."""
    layout = spec.packet.layout
    if layout.address is None or packet.address is None:
        return True
    named = {
        spec.address & layout.mask,
        *(one & layout.mask for one in layout.broadcast),
    }
    return packet.address & layout.mask in named


def _taken(spec: NodeSpec, packet: Packet) -> bytes:
    """What a node takes of a payload."""
    if spec.window is None:
        return packet.payload
    return packet.payload[spec.window : spec.window + spec.payload_octets]
