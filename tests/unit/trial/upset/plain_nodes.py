"""Nodes that only decode: what they hear they show, a moment later; and ones that err.

They hear a line by way of the sans-IO decoder, hold as many packets as come, and shift
each out as soon as the one before is latched.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import (
    DROPPED,
    LOST,
    SHOWN,
    Flaw,
    Seen,
    no_octets,
    no_rows,
)
from bench.link.evidence import NO_EVIDENCE
from bench.link.observes import EVERYTHING
from bench.profile.channels import dark_payload
from bench.wire.decoder import Decoder
from bench.wire.format import format_of
from bench.wire.states import Packet
from bench.wire.waveform import Track

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Line, Sent
    from bench.link.evidence import Evidence
    from bench.profile.model import Profile

FAR = 1 << 62


class PlainNode:
    """One node."""

    def __init__(self, profile: Profile, index: int) -> None:
        """At rest."""
        self.profile = profile
        self.index = index
        self.node = profile.node[index]
        output = self.node.output
        self.burst_ns = int(output.burst_s * 10**9)
        self.gap_ns = output.latch_gap_ns
        self.clocks = output.burst_clocks
        self.rows: list[tuple[int, int, int, bytes]] = []  # begin, end, clocks, data
        self.begin_anew(0)

    def begin_anew(self, ns: int) -> None:
        """Forget everything."""
        self.decoder = Decoder(
            format_of(self.profile.packet), self.node.processor.resync
        )
        self.heard_ns: list[int] = []
        self.last_ns = ns
        self.ready_ns = ns
        self.sound_ns = ns
        self.is_dark = False

    # --- what a defect may change

    def takes(self, packet: Packet) -> bool:
        """Whether a sound packet is for it."""
        return packet.address in (None, self.node.address)

    def hears(self, flaw: int) -> bool:
        """Whether it takes a character that comes with a flaw, or none (0)."""
        del flaw
        return True

    def held(self, packet: Packet) -> bytes:
        """What it shows of a packet."""
        return packet.payload

    def darkens_ns(self) -> int:
        """When it darkens, if nothing more comes; FAR for never."""
        after_ns = self.node.processor.blackout_after_ns
        return FAR if after_ns is None else self.sound_ns + after_ns

    # --- the rest

    def hear(self, line: Line) -> None:
        """Take a chunk of the line."""
        track = Track(line, self.profile.bus)
        for at in range(len(track)):
            kind, _ = track.flaw(at)
            self.darken(track.start_ns(at))
            if not self.hears(kind):
                continue
            self.decoder.gap(max(0, track.start_ns(at) - self.last_ns))
            octet = int(line.octets[at])
            if kind:
                self.decoder.flaw(octet, kind)
            else:
                self.decoder.octets(bytes([octet]))
            self.last_ns = track.end_ns(at)
            self.heard_ns.append(self.last_ns)
            for event in self.decoder.events():
                if isinstance(event, Packet) and self.takes(event):
                    self.sound_ns = self.heard_ns[event.end - 1]
                    self.is_dark = False
                    self.show(self.sound_ns + 1000, self.held(event))
        self.darken(line.until_ns)

    def darken(self, until_ns: int) -> None:
        """Show darkness if it is time."""
        if not self.is_dark and (due_ns := self.darkens_ns()) < until_ns:
            self.is_dark = True
            self.show(due_ns, dark_payload(self.node))

    def show(self, ns: int, data: bytes) -> None:
        """Shift something out, as soon as that is possible."""
        begin_ns = max(ns, self.ready_ns)
        self.ready_ns = begin_ns + self.burst_ns + self.gap_ns
        self.rows.append((begin_ns, begin_ns + self.burst_ns, self.clocks, data))

    def reset(self, ns: int) -> None:
        """Begin anew: a burst that runs is cut off, one that waits never comes."""
        kept = []
        for begin_ns, end_ns, clocks, data in self.rows:
            if end_ns <= ns:
                kept.append((begin_ns, end_ns, clocks, data))
            elif begin_ns < ns:
                some = clocks * (ns - begin_ns) // (end_ns - begin_ns)
                kept.append((begin_ns, ns, some, b"\xee" * len(data)))
        self.rows = kept
        self.begin_anew(ns)

    def out(self, until_ns: int) -> Iterator[tuple[int, int, int, bytes]]:
        """What latched before an instant."""
        rows, self.rows = self.rows, []
        for row in rows:
            if row[1] + self.gap_ns <= until_ns:
                yield row
            else:
                self.rows.append(row)


class PlainNodes:
    """A link to such nodes."""

    name = "plain"
    observes = EVERYTHING
    most_octets = None

    def __init__(self, profile: Profile, kind: type[PlainNode] = PlainNode) -> None:
        """All of one kind."""
        self.nodes = [kind(profile, index) for index in range(len(profile.node))]

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """See `bench.link.link.Link`."""
        del sent
        shown, data, at = [], [], 0
        for node in self.nodes:
            node.hear(line)
            for begin_ns, end_ns, clocks, held in node.out(line.until_ns):
                latched_ns = end_ns + node.gap_ns
                row = (begin_ns, begin_ns, end_ns, latched_ns, clocks)
                shown.append((*row, at, len(held), node.index, 0, 0))
                data.append(held)
                at += len(held)
        octets = np.frombuffer(b"".join(data), np.uint8) if data else no_octets()
        rows = np.array(shown, SHOWN)
        return Seen(rows, octets, no_rows(DROPPED), no_rows(LOST), line.until_ns)

    def reset(self, at_ns: int, nodes: object = None) -> None:
        """See `bench.trial.upset.link.ResettableLink`."""
        assert nodes is None
        for node in self.nodes:
            node.reset(at_ns)

    def evidence(self) -> Evidence:
        """See `bench.link.link.Link`."""
        return NO_EVIDENCE

    def close(self) -> None:
        """See `bench.link.link.Link`."""

    def __enter__(self) -> PlainNodes:
        return self

    def __exit__(self, *error: object) -> None: ...


# --- defects --------------------------------------------------------------------------


class Wedged(PlainNode):
    """Hears nothing any more once the line was held low for long."""

    broken = False

    def hears(self, flaw: int) -> bool:
        """See `PlainNode`."""
        self.broken |= flaw == Flaw.BREAK
        return not self.broken


class Frightened(PlainNode):
    """Leaves out three packets after the first flaw that it hears."""

    left = 0

    def hears(self, flaw: int) -> bool:
        """See `PlainNode`."""
        self.left = 3 if flaw else self.left
        return True

    def takes(self, packet: Packet) -> bool:
        """See `PlainNode`."""
        if super().takes(packet) and self.left:
            self.left -= 1
            return False
        return super().takes(packet)


class Confused(PlainNode):
    """Takes a packet for anybody, once, after a flaw."""

    flawed = False

    def hears(self, flaw: int) -> bool:
        """See `PlainNode`."""
        self.flawed |= flaw != 0
        return True

    def takes(self, packet: Packet) -> bool:
        """See `PlainNode`."""
        flawed, self.flawed = self.flawed, False
        return flawed or super().takes(packet)


class Garbling(PlainNode):
    """Shows one packet turned over after a flaw."""

    flawed = False

    def hears(self, flaw: int) -> bool:
        """See `PlainNode`."""
        self.flawed |= flaw != 0
        return True

    def held(self, packet: Packet) -> bytes:
        """See `PlainNode`."""
        flawed, self.flawed = self.flawed, False
        if not flawed:
            return packet.payload
        return bytes(255 - octet for octet in packet.payload)


class Hasty(PlainNode):
    """Darkens a tenth too early."""

    def darkens_ns(self) -> int:
        """See `PlainNode`."""
        after_ns = self.node.processor.blackout_after_ns
        return FAR if after_ns is None else self.sound_ns + 9 * after_ns // 10


class Late(PlainNode):
    """Darkens much too late."""

    def darkens_ns(self) -> int:
        """See `PlainNode`."""
        after_ns = self.node.processor.blackout_after_ns
        return FAR if after_ns is None else self.sound_ns + 13 * after_ns // 10


class Bright(PlainNode):
    """Never darkens."""

    def darkens_ns(self) -> int:
        """See `PlainNode`."""
        return FAR
