"""Octets in, packets out: the meaning of a packet format on a line.

The decoder does no I/O.  `octets`, `flaw`, `gap` and `finish` only store; `next_event`
and `events` say what it made of that.  However a stream is cut into calls, the events
are the same.  The simulated node's kernel is held against this file, event for event.

**Symbols.**  The line is a row of octets, some flawed (framing, parity), some marked
(their ninth bit is set, which is no flaw), breaks, and gaps between them: a SILENCE
where the line idled at least `silence_ns`, a PAUSE where it idled longer than
`pause_ns`; every silence is a pause too.  A place counts octets and breaks.  Where the
format takes flawed octets as they come, they are octets like any other, and a break is
an octet 00h unless breaks are what delimits packets.  A marked octet is one like any
other unless marks are what delimits them.

**Modes.**  HUNT: a packet's start is looked for.  MATCH: part of a marker was seen.
INSIDE: within a packet, which may still be empty.  DEAF: nothing is heard until a
SILENCE, after which the initial mode comes: HUNT for markers, breaks and marks, else
INSIDE and empty, since a line at rest is as good as a delimiter.  Flaws and gaps are
passed over in HUNT, and all but a SILENCE in DEAF.

**Where packets begin and end.**

* MARKER.  A candidate begins (`Begun`) wherever the marker's first octet is met in
  HUNT.  If the next symbols are not the rest of the marker, a flawed octet, a break and
  a gap among them, the hunt goes on one place after the candidate, and nothing more is
  said of it.  At the last octet before the payload the literals there and the length
  are examined, at the packet's last octet the rest.
* OCTET.  A packet begins with the first octet after a delimiter that is not another,
  and ends at the next sound delimiter (a flawed one is a flaw).  Then it is unstuffed
  and examined.  One octet more between delimiters than the longest packet needs is a
  bad length at once.
* SILENCE.  As OCTET, with silences for delimiters and no stuffing.  A pause that is no
  silence spoils the packet.
* BREAK.  A break begins a packet in whatever mode, and is not part of it.  If its head
  tells how long it is, it goes on as after a marker.  Else it ends at the next break or
  silence and is examined; a mere pause does not matter, and a silence before its first
  octet ends nothing.
* NINTH.  As BREAK, with marked octets for breaks; but each is the first octet of the
  packet that it begins.

**What is examined**, the first fault counts: stuffing (an escape just before the
delimiter of a FLIP packet is an abort), fewest octets, literals, length, check.

**What else spoils a packet.**  A flawed octet, or a break, within it, the very first
octet included: a line error.  A pause within it, after at least one of its octets.  A
break or a marked octet that begins the next packet while a sized one is incomplete: a
line error.

**After a rejection** (`bench.wire.states`), by the resynchronising policy:

* forward: MARKER, BREAK, NINTH: HUNT goes on after the symbol that revealed the fault.
  OCTET: HUNT for a delimiter, unless a delimiter or a pause revealed it: that one
  serves.  SILENCE: DEAF, unless a silence revealed it.
* timeout: DEAF, unless a silence revealed it.
* rescan: MARKER: HUNT from one place after the candidate's first, over symbols already
  seen, flaws and gaps included.  Others: as forward.

**The end of the input** is a silence.  Foreign addresses are reported like any other.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from bench.base.columns import Drop, Flaw
from bench.wire.format import Delimiter, Stuffing
from bench.wire.packets import (
    address_in,
    fault_of,
    head_fault_of,
    number_at,
    payload_after,
)
from bench.wire.states import (
    INITIAL,
    Begun,
    Event,
    Mode,
    Packet,
    Rejected,
    Resync,
    Revealed,
    mode_after,
)
from bench.wire.stuffing import StuffingError, unstuff
from bench.wire.tape import Tape, Wall

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from typing_extensions import Buffer

    from bench.wire.format import Format


class Decoder:
    """Finds the packets of one format in what it is given.

    Args:
        format: How packets look.
        resync: How the next packet is found after a bad one.

    Raises:
        ValueError: If the format cannot be received: a marker without a length, a
            stuffing without a delimiter, or packets without an octet.
    """

    def __init__(self, format: Format, resync: Resync | str) -> None:  # noqa: A002
        _refuse_senseless(format)
        self._format = format
        self._layout = format.layout
        self._kind = format.delimiting.kind
        self._resync = Resync(resync)
        headed = (Delimiter.MARKER, Delimiter.BREAK, Delimiter.NINTH)
        self._filled = self._kind in headed and format.layout.sized
        self._longest = format.longest_raw
        self._tape = Tape()
        self._ready: deque[Event] = deque()
        self._finished = False
        self._at = 0  # the next place to look at
        self._wall = 0  # the next wall to meet
        self._mode = INITIAL[self._kind]
        self._start: int | None = None  # of the packet or candidate
        self._body = 0  # its first octet
        self._goal = 0  # where its head or, if that is known, the packet is complete
        self._headed = False  # whether its head is complete
        self._settled = 0  # octets in packets, and delimiters between them
        self._runs = self._run_table()

    # --- given: only stored

    def octets(self, octets: Buffer) -> None:
        """Take sound octets."""
        self._refuse_finished()
        self._tape.octets(octets)

    def flaw(self, octet: int, kind: int) -> None:
        """Take one octet with a line error or a set ninth bit, or a break.

        Args:
            octet: What was received; for a break 00h.
            kind: A `Flaw`.
        """
        self._refuse_finished()
        if kind == Flaw.BREAK and self._kind == Delimiter.BREAK:
            self._tape.wall(Wall.BREAK)
        elif kind == Flaw.ADDRESS and self._kind == Delimiter.NINTH:
            self._tape.wall(Wall.ADDRESS, octet)
        elif kind == Flaw.ADDRESS:
            self._tape.octets(bytes([octet]))
        elif self._format.delimiting.reject_flaws:
            self._tape.wall(Wall.FLAW, octet)
        else:
            self._tape.octets(bytes([0 if kind == Flaw.BREAK else octet]))

    def gap(self, idle_ns: int) -> None:
        """Take the whole idle time between two octets, however short."""
        self._refuse_finished()
        silence_ns = self._format.delimiting.silence_ns
        pause_ns = self._format.delimiting.pause_ns
        if silence_ns is not None and idle_ns >= silence_ns:
            self._tape.wall(Wall.SILENCE)
        elif pause_ns is not None and idle_ns > pause_ns:
            self._tape.wall(Wall.PAUSE)

    def finish(self) -> None:
        """Take the end of the input; nothing can be given after it."""
        self._refuse_finished()
        self._tape.wall(Wall.SILENCE)
        self._finished = True

    def _refuse_finished(self) -> None:
        if self._finished:
            raise ValueError("a decoder takes nothing after the end of its input")

    # --- made of it

    def events(self) -> Iterator[Event]:
        """What has become certain and was not told yet."""
        while (event := self.next_event()) is not None:
            yield event

    def next_event(self) -> Event | None:
        """The next thing that is certain; None where more input is needed first."""
        while not self._ready and self._advance():
            pass
        if self._ready:
            return self._ready.popleft()
        self._tape.release(self.undecided, self._wall)
        return None

    @property
    def discarded(self) -> int:
        """Octets and breaks that are certain to be in no packet.

        Delimiters between packets are not counted.  Meant to be read when there is no
        event left; after the end of the input nothing is uncertain.
        """
        return self.undecided - self._settled

    @property
    def undecided(self) -> int:
        """The first place that may yet belong to a packet.

        Meant to be read when there is no event left.
        """
        return self._at if self._start is None else self._start

    def _advance(self) -> bool:
        """One step: into the clear run ahead, or past the wall after it."""
        end = self._tape.clear_to(self._wall)
        if self._at < end:
            self._runs[self._mode](end)
            return True
        kind = self._tape.kind(self._wall)
        if kind is None:
            return False
        self._meet(kind)
        return True

    # --- clear runs: each looks at octets up to `end` and moves on by one or more

    def _run_table(self) -> dict[Mode, Callable[[int], None]]:
        """What is done with a clear run, by mode."""
        inside: Callable[[int], None] = self._collect
        if self._filled:
            inside = self._fill
        elif self._kind == Delimiter.OCTET:
            inside = self._collect_to_delimiter
        hunts: dict[Delimiter, Callable[[int], None]] = {
            Delimiter.MARKER: self._find_marker,
            Delimiter.OCTET: self._find_delimiter,
        }
        return {
            Mode.HUNT: hunts.get(self._kind, self._skip),
            Mode.MATCH: self._match_marker,
            Mode.INSIDE: inside,
            Mode.DEAF: self._skip,
        }

    def _skip(self, end: int) -> None:
        self._at = end

    def _find_marker(self, end: int) -> None:
        found = self._tape.find(self._format.delimiting.octets[:1], self._at, end)
        if found < 0:
            self._at = end
            return
        self._begin(found, body=found)
        self._at = found + 1
        self._mode = Mode.MATCH
        self._match_marker(end)

    def _match_marker(self, end: int) -> None:
        marker = self._format.delimiting.octets
        end = min(end, self._body + len(marker))
        if not marker.startswith(self._tape.span(self._body, end)):
            self._hunt_after(self._body)
            return
        self._at = end
        if end == self._body + len(marker):
            self._mode = Mode.INSIDE
            self._fill(end)

    def _fill(self, end: int) -> None:
        """Towards the goal; what is complete there is examined."""
        self._at = min(self._goal, end)
        if self._at == self._goal and not self._headed:
            self._headed = True
            head = self._tape.span(self._body, self._at)
            if fault := head_fault_of(self._layout, head):
                self._reject(self._at, fault, Revealed.OCTET, head)
                return
            self._goal += payload_after(self._layout, head) + self._layout.tail
            self._at = min(self._goal, end)
        if self._at == self._goal:
            self._complete(self._at, self._at, Revealed.OCTET)

    def _find_delimiter(self, end: int) -> None:
        found = self._tape.find(self._format.delimiting.octets, self._at, end)
        if found < 0:
            self._at = end
            return
        self._at = found + 1
        self._rest()

    def _collect_to_delimiter(self, end: int) -> None:
        delimiter = self._format.delimiting.octets
        if self._start is None:
            if self._tape.at(self._at) == delimiter[0]:
                self._at += 1
                self._settled += 1
                return
            self._begin(self._at, body=self._at)
        most = self._body + self._longest
        found = self._tape.find(delimiter, self._at, min(end, most + 1))
        if found < 0:
            self._overflow(min(end, most + 1), most)
            return
        self._at = found + 1
        self._complete(found, found + 1, Revealed.DELIMITER)

    def _collect(self, end: int) -> None:
        if self._start is None:
            self._begin(self._at, body=self._at)
        most = self._body + self._longest
        self._overflow(min(end, most + 1), most)

    def _overflow(self, end: int, most: int) -> None:
        """On to `end`; beyond `most` the packet is too long."""
        self._at = end
        if end > most:
            self._reject(end, Drop.BAD_LENGTH, Revealed.OCTET, self._seen(end))

    # --- walls

    def _meet(self, kind: Wall) -> None:
        """Pass the wall that is next, or turn back before it."""
        if self._mode is Mode.MATCH:
            self._hunt_after(self._body)
            return
        at = self._at
        self._wall += 1
        if kind.has_place:
            self._at += 1
        if kind is Wall.BREAK:
            self._meet_break(at)
        elif kind is Wall.ADDRESS:
            self._meet_address(at)
        elif self._mode is Mode.INSIDE and kind is Wall.FLAW:
            if self._start is None:
                self._begin(at, body=at)
            self._reject(at + 1, Drop.LINE_ERROR, Revealed.OCTET, self._seen(at))
        elif self._mode is Mode.INSIDE:
            self._meet_gap(at, kind)
        elif self._mode is Mode.DEAF and kind is Wall.SILENCE:
            self._rest()

    def _meet_gap(self, at: int, kind: Wall) -> None:
        """A pause or silence inside a packet."""
        if self._start is None or at == self._body:
            return
        silent = kind is Wall.SILENCE
        revealed = Revealed.SILENCE if silent else Revealed.PAUSE
        if silent and not self._filled and self._kind != Delimiter.OCTET:
            self._complete(at, at, revealed)
        elif self._filled or self._kind in (Delimiter.OCTET, Delimiter.SILENCE):
            self._reject(at, Drop.PAUSE, revealed, self._seen(at))

    def _meet_break(self, at: int) -> None:
        """A break that delimits: what it ends, then what it begins."""
        self._end_before(at)
        self._mode = Mode.INSIDE
        self._begin(at, body=at + 1)

    def _meet_address(self, at: int) -> None:
        """A marked octet: what it ends, then the packet whose first octet it is."""
        self._end_before(at)
        self._mode = Mode.INSIDE
        self._begin(at, body=at)
        if self._filled:
            self._fill(at + 1)

    def _end_before(self, at: int) -> None:
        """The packet, if there is one, before what begins the next at a place."""
        if self._mode is Mode.INSIDE:
            if self._filled:
                seen = self._seen(at)
                self._reject(at, Drop.LINE_ERROR, Revealed.OCTET, seen)
            elif at > self._body:
                self._complete(at, at, Revealed.DELIMITER)

    # --- how packets begin and end

    def _begin(self, at: int, body: int) -> None:
        self._start = at
        self._body = body
        self._goal = body + self._layout.head
        self._headed = False
        self._ready.append(Begun(at))

    def _rest(self) -> None:
        """The initial mode, with no packet."""
        self._mode = INITIAL[self._kind]
        self._start = None

    def _hunt_after(self, place: int) -> None:
        """HUNT from just after a place, over symbols already seen."""
        self._rest()
        self._at = place + 1
        self._wall = self._tape.wall_after(place)

    def _seen(self, end: int) -> bytes:
        """What is known of the packet's head: nothing before it is unstuffed."""
        if self._kind == Delimiter.OCTET:
            return b""
        return self._tape.span(self._body, min(end, self._body + self._layout.head))

    def _complete(self, body_end: int, end: int, revealed: Revealed) -> None:
        """Examine a packet that is all there."""
        layout = self._layout
        try:
            raw = unstuff(
                self._format.unstuffing, self._tape.span(self._body, body_end)
            )
        except StuffingError as error:
            self._reject(end, error.reason, revealed, b"")
            return
        if fault := fault_of(layout, raw):
            self._reject(end, fault, revealed, raw)
            return
        assert self._start is not None
        self._settled += end - self._start
        payload = raw[layout.head : len(raw) - layout.tail]
        address = number_at(layout.address, raw)
        sequence = number_at(layout.sequence, raw)
        self._ready.append(Packet(self._start, end, raw, payload, address, sequence))
        self._rest()

    def _reject(self, end: int, reason: Drop, revealed: Revealed, seen: bytes) -> None:
        """Report a fault; `seen` is what is known of the unstuffed packet."""
        assert self._start is not None
        start = self._start
        address = address_in(self._layout, seen)
        self._ready.append(Rejected(start, end, reason, address))
        self._after_rejection(start, revealed)

    def _after_rejection(self, start: int, revealed: Revealed) -> None:
        """The next mode, and from where on."""
        self._rest()
        self._mode = mode_after(self._kind, self._resync, revealed)
        if self._resync is Resync.RESCAN and self._kind == Delimiter.MARKER:
            self._hunt_after(start)


def _refuse_senseless(format: Format) -> None:  # noqa: A002
    layout, kind = format.layout, format.delimiting.kind
    if kind == Delimiter.MARKER and not layout.sized:
        raise ValueError("after a marker the head must tell how long the packet is")
    if format.unstuffing.kind != Stuffing.NONE and kind != Delimiter.OCTET:
        raise ValueError("only a packet between delimiter octets can be stuffed")
    if layout.longest == 0:
        raise ValueError("a packet has at least one octet")
