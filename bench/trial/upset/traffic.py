"""The schedule of an upset, whole, and what every node is to show of it.

An upset is over in some frames, so its schedule is kept in one piece: instants are
chosen by what is on the line, and looked up in it afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, To, no_octets, no_rows
from bench.traffic.schedule import Schedule
from bench.wire.format import Delimiter, format_of
from bench.wire.waveform import Part, Track, joined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.columns import Rows
    from bench.node.spec import NodeSpec
    from bench.profile.model import Profile

_CHUNK = 1 << 18
"""Characters that are written at once."""


@dataclass(slots=True)
class Own:
    """One packet that a node is to show.

    Attributes:
        packet: Its number in the trial.
        begin_ns: Its first start bit.
        received_ns: Its last bit.
        end_ns: When nothing more is needed for it to be shown: its last bit, or the
            silence that ends it, or the packet after it if only that shows where it
            ends, or the sync; None if that never comes.
        data: What its lanes are to hold.
        due: Whether it has to be shown; one that a newer packet replaces before the
            sync need not be.
        shown_ns: When it was shown; None if it was not.
        burst_ns: When the burst began that showed it.
        latched_ns: When that burst ended.
    """

    packet: int
    begin_ns: int
    received_ns: int
    end_ns: int | None
    data: bytes
    due: bool = True
    shown_ns: int | None = None
    burst_ns: int | None = None
    latched_ns: int | None = None


class Traffic:
    """What is sent in one trial.

    Attributes:
        line: All of the line.
        sent: All of its packets.
        track: The line, character by character.
        duration_ns: How long it was to be.
    """

    def __init__(self, profile: Profile, seed: int, duration_ns: int) -> None:
        """Write the schedule.

        Raises:
            ProfileError: If the profile cannot be sent.
        """
        self.duration_ns = duration_ns
        form = format_of(profile.packet)
        kind = form.delimiting.kind
        marked = kind in (Delimiter.BREAK, Delimiter.NINTH)
        # Only what follows tells where such a packet ends.
        self._open = marked and not form.layout.sized
        silence_ns = profile.packet.silence_ns or 0
        self._silence_ns = silence_ns if kind == Delimiter.SILENCE else 0
        schedule = Schedule(profile, seed=seed, duration_ns=duration_ns)
        parts, rows, payloads = [], [no_rows(SENT)], [no_octets()]
        until_ns = before = 0
        while (chunk := schedule.take(_CHUNK)) is not None:
            line, sent = chunk
            parts.append(Part(line.octets, line.runs, line.flaws))
            moved = sent.rows.copy()
            moved["payload_at"] += before * (moved["payload_at"] >= 0)
            rows.append(moved)
            payloads.append(sent.payload)
            before += len(sent.payload)
            until_ns = line.until_ns
        empty = Part(no_octets(), no_rows(RUN), no_rows(FLAW))
        whole = joined([empty, *parts])
        self.line = Line(whole.octets, whole.runs, whole.flaws, 0, until_ns)
        self.sent = Sent(np.concatenate(rows), np.concatenate(payloads))
        self.track = Track(self.line, profile.bus)

    def own(self, spec: NodeSpec) -> list[Own]:
        """What one node is to show, in the order of the line."""
        rows = self.sent.rows
        mine = rows[(rows["to"] == spec.index) | (rows["to"] == To.EVERY_NODE)]
        found: list[Own] = []
        held: Own | None = None
        for row in mine:
            if spec.on_sync and row["to"] == To.EVERY_NODE:
                if held is not None:
                    held.due, held.end_ns = True, self._end_ns(row)
                held = None
                continue
            data = self._data(row, spec)
            if data is None:
                continue
            own = Own(
                int(row["packet"]),
                int(row["start_ns"]),
                int(row["last_bit_ns"]),
                self._end_ns(row),
                data,
                due=not spec.on_sync,
            )
            held = own
            found.append(own)
        return found

    def spans(self, spec: NodeSpec) -> list[tuple[int, int]]:
        """First start bit and last bit of all for a node, those to every node too."""
        rows = self.sent.rows
        mine = rows[(rows["to"] == spec.index) | (rows["to"] == To.EVERY_NODE)]
        return list(
            zip(mine["start_ns"].tolist(), mine["last_bit_ns"].tolist(), strict=True)
        )

    def _data(self, row: np.void, spec: NodeSpec) -> bytes | None:
        """What a packet has for a node's lanes; None if it does not fill them."""
        at = int(row["payload_at"])
        if at < 0:
            return None
        payload = self.sent.payload[at : at + int(row["payload_octets"])]
        if spec.window is not None:
            payload = payload[spec.window : spec.window + spec.payload_octets]
        return payload.tobytes() if len(payload) == spec.payload_octets else None

    def _end_ns(self, row: np.void) -> int | None:
        """When a packet needs nothing more."""
        if not self._open:
            return int(row["last_bit_ns"]) + self._silence_ns
        rows = self.sent.rows
        after = int(np.searchsorted(rows["first"], row["first"], "right"))
        return int(rows["last_bit_ns"][after]) if after < len(rows) else None


class Whole:
    """A source that gives all of a stored schedule at once."""

    def __init__(self, traffic: Traffic) -> None:
        self._left: tuple[Line, Sent] | None = (traffic.line, traffic.sent)

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:  # noqa: ARG002
        """See `bench.trial.source.Source`; an upset is short enough for one chunk."""
        left, self._left = self._left, None
        return left

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `bench.trial.source.Source`; it is kept."""


def match(
    owns: Sequence[Own],
    shown: Rows,
    data: bytes,
    slack_ns: int,
    during: tuple[int, int] = (0, 0),
) -> list[int]:
    """Note which burst showed which packet; indexes of the bursts that showed none.

    A burst shows the packet with the same data that came last before it.  One that an
    upset cut into may have come faster than it was to be sent: it can be shown as soon
    as it has begun.

    Args:
        owns: What the node is to show; what is noted is noted there.
        shown: `SHOWN` rows of the node.
        data: What they point into.
        slack_ns: How much before its last bit a packet can be received: most of a stop
            bit.
        during: When an upset began, and when it was over.
    """
    from_ns, good_ns = during
    came_ns: dict[int, int] = {}
    waiting: dict[bytes, list[Own]] = {}
    for own in owns:
        waiting.setdefault(own.data, []).append(own)
        cut = own.begin_ns < good_ns and own.received_ns > from_ns
        came_ns[own.packet] = own.begin_ns if cut else own.received_ns - slack_ns
    others = []
    for index in np.argsort(shown["first_bit_ns"], kind="stable"):
        burst = shown[index]
        at = int(burst["data_at"])
        held = waiting.get(data[at : at + int(burst["data_octets"])], [])
        first_bit_ns = int(burst["first_bit_ns"])
        came = [own for own in held if came_ns[own.packet] <= first_bit_ns]
        if not came or burst["shown_ns"] < 0:
            others.append(int(index))
            continue
        own = came[-1]
        held.remove(own)
        own.shown_ns = int(burst["shown_ns"])
        own.burst_ns = int(burst["burst_ns"])
        own.latched_ns = int(burst["end_ns"])
    return others
