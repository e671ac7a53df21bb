"""What a drive puts on the line: schedules one after another, and what lies between.

It is a `Source` of the runner for as long as one link is held.  Orders are obeyed
between two packets, at the first such place when they are due; where a value changes,
the next schedule goes on from the place to which the last one had come, without a
character or a nanosecond between.  Each order leaves a `Mark`.

What it writes at once is short in time, since what was written is sent: an order waits
for it.  A packet that takes long is written whole and handed out piece by piece.  While
the drive holds, the line carries pads, where it is packed and the profile has one, and
else it idles.

What is on the line depends on the values, the seed and the places of the orders alone,
so that orders with their instants put the same characters on the line again.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Line, Sent, no_octets, no_rows
from bench.base.grid import NS_PER_S
from bench.traffic.place import Place, due_ns
from bench.traffic.schedule import Schedule
from bench.trial.drive.asked.commands import (
    Bad,
    Go,
    Hold,
    One,
    Quit,
    Set,
    Trigger,
)
from bench.trial.drive.malformed import malformed, on_line
from bench.trial.slices import cut_at
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.profile.model import Profile
    from bench.trial.drive.desk import Order

    Chunk = tuple[Line, Sent]

PIECE_NS = 10_000_000
"""Time on the line of what is handed out at once: up to three of them are on their way
to the link when an order comes."""

REST_NS = 20_000_000
"""The same where the line idles."""

GAP_NS = 2_000_000
"""Quiet before a trigger's packet unless asked otherwise: an oscilloscope that waits
for an idle line is set to a millisecond or so."""

_EARLY_NS = 5_000_000
"""A rest ends so long before the next character, for who carries it has to wait."""

_PACKET_NS = NS_PER_S // 2
"""A packet under way is sent to its end at a stop, unless that takes longer."""

_LEAST_OCTETS = 4


@dataclass(frozen=True, slots=True)
class Mark:
    """An order that was obeyed.

    Attributes:
        number: From 1 on.
        order: The order.
        at_ns: Instant of the trial: the next character can start here.
        octet: Global index of the next character, a malformed packet's first one.
        trigger: Index of the first character after a quiet gap; None: there is none.
    """

    number: int
    order: Order
    at_ns: int
    octet: int
    trigger: int | None = None


def _unmarked(mark: Mark) -> None:
    """Nobody is told."""


def _untended() -> None:
    """Nobody cares."""


class DriveSource:
    """See the module.

    Attributes:
        first_profile: The values that held at first.
        holding: Whether only idle or fill is sent.
        over: The order that ended it, or None: an end, or a change of what the link is
            held by.
    """

    def __init__(
        self,
        profile: Profile,
        seed: int,
        place: Place,
        stop: Callable[[], int | None],
        *,
        holding: bool = False,
        marks: int = 0,
        base_ns: int = 0,
        until_ns: int | None = None,
        marked: Callable[[Mark], None] = _unmarked,
        tended: Callable[[], None] = _untended,
    ) -> None:
        """Begin.

        Args:
            profile: The values that hold at first.
            seed: What every draw depends on.
            place: Where it begins; its instant is one of this link's trial.
            stop: Asked at every place: a signal ends it.
            holding: Whether it holds at first.
            marks: How many there were before.
            base_ns: Instant of the whole drive at which this link's trial began.
            until_ns: It ends by itself at this instant of the drive.
            marked: Told of each mark, before its characters are handed out.
            tended: Called after each chunk that was judged.
        """
        self._profile = profile
        self._seed = seed
        self._place = place
        self._stop = stop
        self._base_ns = base_ns
        self._until_ns = until_ns
        self._numbered = marks
        self._marked = marked
        self._tended = tended
        self._schedule: Schedule | None = None
        self._limited = False
        self._next_ns = 0
        self._first = place.first
        self._free_ns = place.ns + (place.rem > 0)
        self._coming: deque[Chunk] = deque()
        self._orders: deque[Order] = deque()
        self.holding = holding
        self.over: Order | Literal["stopped", "time"] | None = None
        self.first_profile = profile
        self._use(profile)

    # --- what is asked ----------------------------------------------------------------

    def put(self, order: Order) -> None:
        """An order that is to be obeyed after those before it; from any thread."""
        self._orders.append(order)

    @property
    def waiting(self) -> int:
        """Orders that are still to be obeyed."""
        return len(self._orders)

    @property
    def orders(self) -> deque[Order]:
        """Those orders."""
        return self._orders

    def relinks(self) -> bool:
        """Whether it ended because the link has to be taken up anew."""
        return not isinstance(self.over, str | None) and self.over.relink

    @property
    def place(self) -> Place:
        """Where the next character of what is still to be written goes."""
        return self._place

    # --- what the runner takes --------------------------------------------------------

    def take(self, most_octets: int) -> Chunk | None:  # noqa: ARG002
        """See `Source`; its pieces are as short as an order can wait."""
        while not self._coming:
            if self.over is not None:
                return None
            self._obey()
            if self.over is None:
                self._write()
        if self.over is None and self._stop() is not None:
            self._cut_short()
        return self._coming.popleft() if self._coming else None

    def give_back(self, line: Line, sent: Sent) -> None:  # noqa: ARG002
        """See `Source`; pieces share their memory, so it is left to itself."""
        self._tended()

    # --- orders -----------------------------------------------------------------------

    def _obey(self) -> None:
        """Obey every order that is due at this place, one that writes at a time."""
        place = self._here()
        if place is None:
            return  # a packet that belongs to the last one comes first
        if self._stop() is not None:
            self._end("stopped")
            return
        if self._limited:
            return  # what was ordered one by one is sent to its end
        now_ns = self._base_ns + place.ns + (place.rem > 0)
        while self._orders and (self._orders[0].at_ns or 0) <= now_ns:
            order = self._orders.popleft()
            self._do(order)
            if self.over is not None or self._coming or self._limited:
                return
        if self._until_ns is not None and now_ns >= self._until_ns:
            self._end("time")

    def _do(self, order: Order) -> None:
        """Obey one order here."""
        self._leave()
        place, trigger = self._place, None
        match order.command:
            case Set():
                if order.relink:
                    self.over = order
                    self._close()
                else:
                    self._use(order.profile)
            case Hold():
                self._close()
                self.holding = True
            case Go():
                if self.holding:
                    self._place = replace(place, last_ns=None)
                self.holding = False
            case One(frame):
                self._limit(frame=frame)
            case Bad(kind):
                self._malformed(kind)
            case Trigger(gap_ns):
                self._gap(GAP_NS if gap_ns is None else gap_ns)
                trigger = self._place.first
            case Quit():
                self.over = order
                self._close()
        self._numbered += 1
        at_ns = self._base_ns + place.ns + (place.rem > 0)
        self._marked(Mark(self._numbered, order, at_ns, place.first, trigger))

    def _end(self, why: Literal["stopped", "time"]) -> None:
        """Come to an end that nobody ordered."""
        self._leave()
        self._close()
        self.over = why

    def _cut_short(self) -> None:
        """A signal came: what is written is sent, unless that takes too long."""
        left = sum(len(line.octets) for line, _ in self._coming)
        if left * self._profile.bus.pitch.step > _PACKET_NS:
            self._coming.clear()
            self.over = "stopped"

    # --- schedules --------------------------------------------------------------------

    def _use(self, profile: Profile) -> None:
        """Take over values; what depends on them is worked out once."""
        self._profile = profile
        pitch, traffic = profile.bus.pitch, profile.traffic
        self._piece = max(_LEAST_OCTETS, int(PIECE_NS / pitch.step))
        self._timed = traffic.pacing == "timed"
        self._pad = None
        if traffic.pacing == "packed" and profile.packet.pad:
            self._pad = profile.packet.pad[0]

    def _here(self) -> Place | None:
        """Where the line is now; None where a packet has to follow."""
        if self._schedule is None:
            return self._place
        place = self._schedule.place
        if place is None or place.ns + (place.rem > 0) >= self._free_ns:
            return place
        return replace(place, ns=self._free_ns, rem=0)  # it has rested since

    def _leave(self) -> None:
        """Leave the schedule where it is, which is between two packets."""
        if self._schedule is None:
            return
        place = self._here()
        assert place is not None  # orders are obeyed where there is one
        self._place, self._schedule, self._limited = place, None, False

    def _begin(self, packets: int | None = None) -> Schedule:
        """A schedule that goes on from this place."""
        schedule = Schedule(
            self._profile, seed=self._seed, packets=packets, begin=self._place
        )
        self._next_ns = self._place.ns
        return schedule

    def _limit(self, *, frame: bool) -> None:
        """Send the next own packet, or what is left of its frame, then hold."""
        own = 1 if self._profile.packet.shared else len(self._profile.node)
        packets = own - self._place.node if frame else 1
        if self.holding:
            self._place = replace(self._place, last_ns=None)
        self._schedule, self._limited = self._begin(packets), True
        self.holding = True

    def _close(self) -> None:
        """End the last packet, where only what follows it does."""
        if not format_of(self._profile.packet).open_ended or not self._place.packet:
            return
        schedule = self._begin(0)
        chunk = schedule.take(_LEAST_OCTETS)
        if chunk is not None:
            self._hand_out(chunk)
        place = schedule.place
        assert place is not None  # nothing belongs to what ends a packet
        self._place = place

    # --- what is written --------------------------------------------------------------

    def _write(self) -> None:
        """Write what comes next: fill, a rest, or some of a schedule."""
        if self._coming:
            return
        if self._schedule is None:
            if self.holding:
                self._fill()
                return
            self._schedule = self._begin()
        if self._timed and self._rest_until(self._next_ns - _EARLY_NS):
            return
        chunk = self._schedule.take(1 if self._timed else self._piece)
        if chunk is None:
            self._leave()
            return
        self._next_ns = chunk[0].until_ns
        self._hand_out(chunk)

    def _fill(self) -> None:
        """Nothing but pads, or nothing at all."""
        place, pitch = self._place, self._profile.bus.pitch
        if self._pad is None:
            self._rest_until(self._free_ns + REST_NS)
            self._place = replace(place, ns=max(place.ns, self._free_ns), rem=0)
            return
        octets = np.full(self._piece, self._pad, np.uint8)
        runs = np.array([(0, place.ns, place.rem)], RUN)
        ns, rem = pitch.after(self._piece, place.ns, place.rem)
        self._hand_out((Line(octets, runs, no_rows(FLAW), place.first, ns), _nothing()))
        self._place = replace(place, ns=ns, rem=rem, first=place.first + self._piece)

    def _rest_until(self, ns: int) -> bool:
        """Let the line idle up to an instant, a little at a time; whether it does."""
        if ns <= self._free_ns:
            return False
        until_ns = min(ns, self._free_ns + REST_NS)
        line = Line(no_octets(), no_rows(RUN), no_rows(FLAW), self._first, until_ns)
        self._coming.append((line, _nothing()))
        self._free_ns = until_ns
        return True

    def _gap(self, gap_ns: int) -> None:
        """Keep quiet for so long, and until the next own packet is due."""
        self._close()
        place = self._place
        quiet_ns = place.ns + (place.rem > 0) + gap_ns
        if not self.holding:
            quiet_ns = max(quiet_ns, due_ns(self._profile, place))
        self._place = replace(place, ns=quiet_ns, rem=0, last_ns=None)
        # Whatever is ordered next comes after the packet.
        self._schedule, self._limited = self._begin(1), True

    def _malformed(self, kind: str) -> None:
        """One malformed packet."""
        place = self._place
        bad = malformed(self._profile, kind, self._numbered)
        line, sent, ns, rem = on_line(self._profile, bad, place)
        self._hand_out((line, sent))
        self._place = replace(
            place,
            ns=ns,
            rem=rem,
            first=place.first + len(line.octets),
            packet=place.packet + bad.sound,
        )

    def _hand_out(self, chunk: Chunk) -> None:
        """A chunk in pieces."""
        pitch = self._profile.bus.pitch
        line, sent = chunk
        self._first = line.first + len(line.octets)
        last = line.runs[-1]
        after = len(line.octets) - int(last["first"])
        free_ns, rem = pitch.after(after, int(last["start_ns"]), int(last["start_rem"]))
        self._free_ns = max(self._free_ns, free_ns + (rem > 0))
        while len(line.octets) > 2 * self._piece:
            head, (line, sent) = cut_at(line, sent, self._piece, pitch)
            self._coming.append(head)
        self._coming.append((line, sent))


def _nothing() -> Sent:
    """No packets."""
    return Sent(no_rows(SENT), no_octets())
