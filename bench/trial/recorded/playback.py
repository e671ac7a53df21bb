"""A recording on the line again, with its timing.

Octets of one read are placed back to back, ending no later than the read returned,
starting no earlier than those before have ended; the first one starts the trial.  A
break is as long as the profile says, since nobody told how long it was.  Packets are
found as a listener finds them: those that a node of the profile is to show are its own,
all others foreign, and what is no packet is on the line all the same.  A new frame
begins where an address comes a second time.

Chunks may be cut anywhere; the rows, the characters and their times are the same.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, UNKNOWN, Flaw, Line, Sent, To
from bench.traffic.load import windows_of
from bench.trial.listen.listening import break_time_ns
from bench.trial.listen.placing import Placing
from bench.trial.listen.talkers import Names
from bench.wire.decoder import Decoder
from bench.wire.format import Delimiter, format_of
from bench.wire.states import Packet, Resync

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile import Profile
    from bench.trial.listen.placing import Heap
    from bench.trial.recorded.file import Recording, Torn


@dataclass(frozen=True, slots=True)
class Survey:
    """What a recording comes to on a line.

    Attributes:
        characters: In it.
        length_ns: From its first start bit to its last stop bit.
        behind_ns: By how much at most a character has to come later than it was heard,
            since the line has no room for it before.
        torn: Why it ends before its end, or None.
    """

    characters: int
    length_ns: int
    behind_ns: int
    torn: Torn | None


def survey(profile: Profile, recording: Recording) -> Survey:
    """Read a recording to its end, to know what it comes to.

    Raises:
        UsageError: If it is of another line.
    """
    recording.refuse_other_line(profile)
    placing = Placing(profile.bus.pitch, break_time_ns(profile))
    characters, first_ns, last_ns = 0, None, 0
    for heap in _heaps(placing, recording):
        if first_ns is None:
            first_ns = heap.runs[0][1]
        characters += len(heap.octets)
        place, ns, rem = heap.runs[-1]
        last_ns = profile.bus.pitch.at(len(heap.octets) - place, ns, rem)
    length_ns = 0 if first_ns is None else last_ns - first_ns
    return Survey(characters, length_ns, placing.behind_ns, recording.torn)


def _heaps(placing: Placing, recording: Recording) -> Iterator[Heap]:
    """Every heap of a recording."""
    for read in recording.reads():
        if heap := placing.take(*read):
            yield heap
    if heap := placing.finish():
        yield heap


class RecordedSource:
    """A recording on the line again; a `Source` of the runner.

    Attributes:
        behind_ns: By how much at most a character comes later than it was heard, since
            the line had no room for it before.
        foreign_sizes: Packets for a node whose payload does not fill its lanes: nobody
            is to show them.
    """

    def __init__(
        self, profile: Profile, recording: Recording, duration_ns: int | None = None
    ) -> None:
        """Begin at the recording's beginning.

        Args:
            profile: The line, and who is on it.
            recording: It; nobody else reads it.
            duration_ns: Reads whose first character starts at this or after it are not
                played; None: all are.

        Raises:
            UsageError: If it is of another line.
        """
        recording.refuse_other_line(profile)
        self._reads = recording.reads()
        format_ = format_of(profile.packet)
        self._silences = (
            format_.delimiting.kind == Delimiter.SILENCE or format_.open_ended
        )
        self._profile = profile
        self._pitch = profile.bus.pitch
        self._idle_ns = profile.bus.virtual_idle_ns
        self._break_ns = profile.packet.break_ns or 0
        self._whole_break_ns = break_time_ns(profile) or 2 * self._pitch.at(1)
        self._placing = Placing(self._pitch, break_time_ns(profile))
        self._decoder = Decoder(format_, Resync.RESCAN)
        self._names = Names(profile, format_.layout)
        self._windows = windows_of(profile)
        self._sync = any(node.processor.show == "sync" for node in profile.node)
        self._octets = bytearray()  # from place `_first` on
        self._runs: list[tuple[int, int, int]] = []  # places, on the trial's time
        self._flaws: dict[int, int] = {}  # kinds by place
        self._packets: list[Packet] = []  # that were not handed out
        self._first = self._places = self._serial = 0
        self._began_ns: int | None = None
        self._limit_ns = duration_ns
        self._ended = False
        self._frame = 0
        self._framed: set[int] = set()
        self.foreign_sizes = 0

    @property
    def behind_ns(self) -> int:
        """See the class."""
        return self._placing.behind_ns

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """See `Source`; a chunk may end inside a packet."""
        while not self._ended and self._decided < self._first + most_octets:
            self._advance()
        count = min(most_octets, self._decided - self._first)
        if count <= 0:
            return None
        end = self._first + count
        rows = self._rows_before(end)
        octets = np.frombuffer(bytes(self._octets[:count]), np.uint8)
        line = Line(
            octets,
            self._runs_before(end),
            self._flaws_before(end),
            self._first,
            self._until_ns(end),
        )
        del self._octets[:count]
        self._first = end
        self._forget()
        return line, rows

    def give_back(self, line: Line, sent: Sent) -> None:
        """See `Source`; there is nothing to gain."""

    @property
    def _decided(self) -> int:
        """Up to here it is known where packets lie."""
        return self._places if self._ended else self._decoder.undecided

    # --- read on

    def _advance(self) -> None:
        """Take one more read, or the end."""
        read = next(self._reads, None)
        heap = self._placing.take(*read) if read else self._placing.finish()
        over = heap is not None and self._beyond(heap)
        if not over:
            self._heap(heap)
        if over or read is None:
            self._decoder.finish()
            self._ended = True
        events = self._decoder.events()
        self._packets += [event for event in events if isinstance(event, Packet)]

    def _beyond(self, heap: Heap) -> bool:
        """Whether a heap is not to be played any more."""
        if self._limit_ns is None or self._began_ns is None:
            return False
        return heap.runs[0][1] - self._began_ns >= self._limit_ns

    def _heap(self, heap: Heap | None) -> None:
        """Octets that were placed, on the trial's time."""
        if heap is None:
            return
        if self._began_ns is None:
            self._began_ns = heap.runs[0][1]
        elif self._silences and heap.idle_ns:
            self._decoder.gap(heap.idle_ns)
        for index, ns, rem in heap.runs:
            run = self._places + index, ns - self._began_ns, rem
            if heap.idle_ns or not self._goes_on(run):
                self._runs.append(run)
        at = 0
        for place, kind in heap.flaws:
            self._decoder.octets(heap.octets[at:place])
            self._decoder.flaw(heap.octets[place], kind)
            self._flaws[self._places + place] = kind
            at = place + 1
        self._decoder.octets(heap.octets[at:])
        self._octets += heap.octets
        self._places += len(heap.octets)

    def _goes_on(self, run: tuple[int, int, int]) -> bool:
        """Whether a run begins where the one before it ends."""
        if not self._runs:
            return False
        place, ns, rem = run
        return self._pitch.after(place - self._runs[-1][0], *self._runs[-1][1:]) == (
            ns,
            rem,
        )

    # --- handed out

    def _start(self, place: int) -> tuple[int, int]:
        """Where a character starts."""
        run = self._runs[bisect_right(self._runs, place, key=lambda run: run[0]) - 1]
        return self._pitch.after(place - run[0], *run[1:])

    def _end_ns(self, place: int) -> int:
        """Where a character ends, the idle time after it not counted."""
        start = self._start(place)
        if self._flaws.get(place) == Flaw.BREAK:
            return start[0] + self._whole_break_ns
        return self._pitch.after(1, *start)[0] - self._idle_ns

    def _until_ns(self, end: int) -> int:
        """No character from a place on starts before this."""
        if end < self._places:
            return self._start(end)[0]
        return self._end_ns(end - 1)

    def _runs_before(self, end: int) -> np.ndarray[Any, Any]:
        """The runs of the chunk up to a place."""
        rows = [(0, *self._start(self._first))]
        rows += [
            (place - self._first, ns, rem)
            for place, ns, rem in self._runs
            if self._first < place < end
        ]
        return np.array(rows, RUN)

    def _flaws_before(self, end: int) -> np.ndarray[Any, Any]:
        """The flaws of the chunk up to a place."""
        rows = [
            (place - self._first, self._length_ns(kind), kind)
            for place, kind in self._flaws.items()
            if self._first <= place < end
        ]
        return np.array(rows, FLAW)

    def _length_ns(self, kind: int) -> int:
        """How long a break is held: nobody told, so as the profile says."""
        if kind != Flaw.BREAK:
            return 0
        return self._break_ns or 2 * self._pitch.at(1)

    def _forget(self) -> None:
        """What lies wholly before the next chunk."""
        oldest = self._oldest
        at = bisect_right(self._runs, oldest, key=lambda run: run[0]) - 1
        del self._runs[: max(0, at)]
        self._flaws = {at: kind for at, kind in self._flaws.items() if at >= oldest}

    @property
    def _oldest(self) -> int:
        """The first place whose time is still asked for."""
        return min([self._first, *(packet.at for packet in self._packets)])

    # --- packets

    def _rows_before(self, end: int) -> Sent:
        """The packets that end at a place or before it."""
        done = [packet for packet in self._packets if packet.end <= end]
        self._packets = self._packets[len(done) :]
        rows, payloads = np.zeros(len(done), SENT), bytearray()
        for row, packet in zip(rows, done, strict=True):
            to = self._to(packet)
            row["packet"], row["frame"] = self._serial, self._frame_of(to)
            row["first"], row["octets"] = packet.at, packet.end - packet.at
            row["start_ns"] = self._start(packet.at)[0]
            row["last_bit_ns"] = self._end_ns(packet.end - 1)
            row["payload_at"], row["payload_octets"] = UNKNOWN, len(packet.payload)
            row["address"] = UNKNOWN if packet.address is None else packet.address
            row["to"] = to
            sync = to == To.EVERY_NODE and self._sync
            if to != To.FOREIGN and not sync:
                row["payload_at"] = len(payloads)
                payloads += packet.payload
            self._serial += 1
        return Sent(rows, np.frombuffer(bytes(payloads), np.uint8))

    def _to(self, packet: Packet) -> int:
        """Whom a packet is for, if its payload fills their lanes."""
        whom = self._names.of(packet.address)
        size, windows = len(packet.payload), self._windows
        if whom.kind == "own" and whom.node is not None:
            if size == windows[whom.node][1]:
                return whom.node
        elif whom.kind == "every":
            if size >= max(at + octets for at, octets in windows):
                return int(To.EVERY_NODE)
        elif whom.kind == "broadcast":
            if self._sync or all(size == octets for _, octets in windows):
                return int(To.EVERY_NODE)
        else:
            return int(To.FOREIGN)
        self.foreign_sizes += 1
        return int(To.FOREIGN)

    def _frame_of(self, to: int) -> int:
        """The number of the frame that a packet belongs to."""
        if to == To.FOREIGN:
            return UNKNOWN
        if to in self._framed:
            self._frame += 1
            self._framed.clear()
        self._framed.add(to)
        return self._frame
