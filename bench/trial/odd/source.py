"""A source with odd packets in the gaps of a schedule.

After every so many packets to the nodes an odd packet of a kind is due.  It goes into
the next gap that has room for it, anywhere in that gap, but leaves before it the time
in which the packet before may be answered, and after it the time in which whoever
should not have answered may have done so.  The good packets stay where the schedule
put them.  In the columns an odd packet is a foreign one: nobody is to show it.  Probes
that a profile asks for are put in the same way, one node after the other.

Where it lies and what is in it is drawn by counter, and does not depend on how the
schedule was cut into chunks.
"""

from __future__ import annotations

from collections import deque
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Flaw, Line, Sent, To
from bench.base.errors import Fault, UsageError
from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key
from bench.base.units import format_ns
from bench.profile.model import ReplyObserve
from bench.traffic.load import costs_of
from bench.trial.odd.kinds import PROBE, Maker, Odd, probe_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.columns import Rows
    from bench.profile.model import Profile
    from bench.trial.odd.kinds import Made
    from bench.trial.source import Source

_KEPT = 8
"""Packets to the nodes whose payloads are at hand for odd ones."""

_WORDS = 4
"""Words that are drawn for an odd packet."""

_LEAST_CHARACTERS = 2
"""Characters of quiet around an odd packet where nobody answers."""


class OddSource:
    """A source that puts odd packets into the gaps of another.

    Attributes:
        put: How many odd packets of each kind were put.
        waiting: Kinds that are due and have found no room yet.
    """

    def __init__(
        self, source: Source, profile: Profile, odd: Sequence[Odd], seed: int
    ) -> None:
        """Begin where the schedule begins.

        Args:
            source: The schedule.
            profile: Its profile.
            odd: What is asked for; each kind once.
            seed: What every draw depends on.

        Raises:
            UsageError: If the pacing has no gaps, none is long enough, or the format
                cannot have one of the kinds.
        """
        probe, nodes = probe_of(profile), profile.node
        probes = [] if probe is None else [Odd(PROBE, probe.every * len(nodes))]
        self._source, self._odd = source, (*odd, *probes)
        self._maker = Maker(profile, tuple(one.kind for one in self._odd))
        self._probed = [
            index for index, node in enumerate(nodes) if node.observe.by == "reply"
        ]
        self._key = np.array(stream_key(seed, "odd"), np.uint64)
        self._pitch, self._idle_ns = profile.bus.pitch, profile.bus.virtual_idle_ns
        self._quiet_ns = _quiet_ns(profile)
        _refuse_full(profile, self._quiet_ns, "--odd" if odd else "observe.reply.probe")
        self._ahead: tuple[Line, Sent] | None = None
        self._begun = False
        self._own = 0  # packets to the nodes so far
        self._number = 0  # odd packets so far
        self._serial = -1  # of the last packet of any kind
        self._characters = 0  # of odd packets, so far
        self._payloads: deque[tuple[int, bytes]] = deque(maxlen=_KEPT)
        self.put = {one.kind: 0 for one in self._odd}
        self.waiting: deque[str] = deque()

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """See `Source`."""
        # An odd packet beside every good one doubles a chunk at most.
        room = max(1, most_octets // 2)
        if not self._begun:
            self._begun = True
            self._ahead = self._source.take(room)
        if self._ahead is None:
            return None
        now, self._ahead = self._ahead, self._source.take(room)
        begins_ns = None
        if self._ahead is not None and len(self._ahead[0].runs):
            begins_ns = int(self._ahead[0].runs[0]["start_ns"])
        made = self._with_odd(*now, begins_ns)
        self._source.give_back(*now)  # all of it was copied
        return made

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `Source`; it was given back when its copy was made."""

    # --- a chunk ----------------------------------------------------------------------

    def _with_odd(
        self, line: Line, sent: Sent, begins_ns: int | None
    ) -> tuple[Line, Sent]:
        """A copy of a chunk, odd packets in the gaps after its runs."""
        out = _Chunk(line.first + self._characters)
        starts = line.runs["first"].tolist()
        ends = [*starts[1:], len(line.octets)]
        next_ns = [*line.runs["start_ns"].tolist()[1:], begins_ns]
        octets, row = line.octets.tobytes(), 0
        for run, end, limit_ns in zip(line.runs.tolist(), ends, next_ns, strict=True):
            first, start_ns, start_rem = run
            out.copy(octets[first:end], (start_ns, start_rem), line.flaws, (first, end))
            while row < len(sent.rows):
                whole = int(sent.rows[row]["first"] + sent.rows[row]["octets"])
                if whole > line.first + end:
                    break
                self._serial = int(sent.rows[row]["packet"]) + self._number
                out.row(sent.rows[row], self._serial, self._characters)
                self._count(sent.rows[row], sent)
                row += 1
            end_ns = self._pitch.at(end - first, start_ns, start_rem) - self._idle_ns
            if limit_ns is not None:
                self._fill(end_ns, limit_ns, out)
        return out.made(line.until_ns, sent)

    def _count(self, row: np.void, sent: Sent) -> None:
        """A packet has ended; whether odd ones are due now."""
        if row["to"] < 0 or row["payload_at"] < 0:
            return
        at = int(row["payload_at"])
        payload = sent.payload[at : at + int(row["payload_octets"])].tobytes()
        self._payloads.append((int(row["to"]), payload))
        self._own += 1
        for index, one in enumerate(self._odd):
            # Apart from each other: what follows two of them tells of neither.
            phase = index * one.every // len(self._odd)
            due = (self._own + phase) % one.every == 0
            if due and one.kind not in self.waiting:
                self.waiting.append(one.kind)

    def _fill(self, end_ns: int, limit_ns: int, out: _Chunk) -> None:
        """A gap: the first odd packet that is due and has room in it."""
        # The newest payload may still be waited for.
        if not self.waiting or len(self._payloads) < 2:
            return
        counter = [0, self._number, 0, 0]
        words = np.random.Philox(key=self._key, counter=counter).random_raw(_WORDS)
        draws = [int(word) for word in words]
        node, payload = self._payloads[draws[3] % (len(self._payloads) - 1)]
        least_ns, most_ns = end_ns + self._quiet_ns, limit_ns - self._quiet_ns
        for kind in self.waiting:
            to = node
            if kind == PROBE:
                to = self._probed[self.put[kind] % len(self._probed)]
            made = self._maker.make(kind, to, payload, draws)
            lasts_ns = self._pitch.at(len(made.octets)) - self._idle_ns
            if least_ns + lasts_ns <= most_ns:
                break
        else:
            return
        room_ns = most_ns - lasts_ns - least_ns
        start_ns = least_ns + (draws[2] * (room_ns + 1) >> 64)
        self.waiting.remove(kind)
        self.put[kind] += 1
        self._serial += 1
        out.odd(made, self._serial, (start_ns, start_ns + lasts_ns))
        self._number += 1
        self._characters += len(made.octets)


class _Chunk:
    """A chunk in the making."""

    def __init__(self, first: int) -> None:
        """Begin a chunk, whose first character has a place on the line."""
        self._first, self._until_ns = first, 0
        self._octets = bytearray()
        self._runs: list[tuple[int, int, int]] = []
        self._flaws: list[tuple[int, int, int]] = []
        self._rows: list[tuple[int, ...]] = []

    def copy(
        self, octets: bytes, start: tuple[int, int], flaws: Rows, span: tuple[int, int]
    ) -> None:
        """A run as it was."""
        at = len(self._octets)
        for flaw in flaws[(flaws["at"] >= span[0]) & (flaws["at"] < span[1])].tolist():
            self._flaws.append((flaw[0] - span[0] + at, *flaw[1:]))
        self._runs.append((at, *start))
        self._octets += octets

    def row(self, row: np.void, serial: int, characters: int) -> None:
        """A packet as it was, of another number, and so many characters later."""
        _, frame, first, *rest = row.tolist()
        self._rows.append((serial, frame, first + characters, *rest))

    def odd(self, made: Made, serial: int, times_ns: tuple[int, int]) -> None:
        """An odd packet, from its first start bit to its last bit."""
        at, size = len(self._octets), len(made.octets)
        place = self._first + at, size, *times_ns
        self._rows.append((serial, -1, *place, -1, 0, made.address, int(To.FOREIGN)))
        start_ns, self._until_ns = times_ns
        if made.marked:
            self._flaws.append((at, 0, int(Flaw.ADDRESS)))
        self._runs.append((at, start_ns, 0))
        self._octets += made.octets

    def made(self, until_ns: int, sent: Sent) -> tuple[Line, Sent]:
        """All of it."""
        line = Line(
            np.frombuffer(bytes(self._octets), np.uint8),
            np.array(self._runs, RUN),
            np.array(self._flaws, FLAW),
            self._first,
            max(until_ns, self._until_ns),
        )
        return line, Sent(np.array(self._rows, SENT), sent.payload.copy())


# --- room -----------------------------------------------------------------------------


def _quiet_ns(profile: Profile) -> int:
    """How long the line rests before an odd packet, and after it."""
    character_ns = profile.bus.pitch.at(_LEAST_CHARACTERS)
    quiet_ns = max(
        character_ns, profile.packet.silence_ns or 0, (profile.packet.pause_ns or 0) + 1
    )
    for node in profile.node:
        if node.observe.by == "reply":
            window_ns = (node.observe.reply or ReplyObserve()).window_ns
            quiet_ns = max(quiet_ns, window_ns)
    return quiet_ns


def _refuse_full(profile: Profile, quiet_ns: int, where: str) -> None:
    """Refuse a schedule that has no gaps for odd packets.

    Raises:
        UsageError: If there are none, or none is long enough.
    """
    traffic = profile.traffic
    if profile.packet.shared:
        raise UsageError(Fault("odd packets beside a shared payload", where=where))
    if traffic.pacing != "timed":
        mend = "--set traffic.pacing=timed"
        fault = Fault("no gaps for odd packets", traffic.pacing, "timed", where, mend)
        raise UsageError(fault)
    costs = costs_of(profile)
    period_ns = NS_PER_S / Fraction(str(traffic.frame_rate_hz))
    frame_ns, packets = costs.frame_ns(worst=True), len(costs.sizes)
    gap_ns = period_ns - frame_ns
    if traffic.spread != "together":
        gap_ns /= packets
    needs_ns = 2 * quiet_ns + frame_ns / packets
    if gap_ns < needs_ns:
        value, needs = format_ns(float(gap_ns)), format_ns(float(needs_ns))
        mend = "a lower traffic.frame_rate, or a shorter observe.reply.window"
        expected = f"at least {needs}"
        raise UsageError(
            Fault("gaps too short for odd packets", value, expected, where, mend)
        )
