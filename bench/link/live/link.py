"""A link in real time: a transport, the line's grid, a clock, and who makes sightings.

Trial time 0 is the instant at which the trial's first character can be due, a lead
after the first call.  Characters are handed over in pieces (`bench.link.live.pieces`),
the starts of runs by the `Pacer`, which also owns by how much the plan was moved.  A
run that rested since nothing was there to be sent is not caught up with, since no line
has room for that: the plan moves, trial time with it, and the verdict says so.

All of it in the thread that calls: whatever lets time pass listens meanwhile.  Nothing
waits without a bound, and where it takes long, a request to stop is looked for.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any, TypeVar, cast

from bench.base.columns import SENT, Flaw, Sent, no_octets, no_rows
from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns
from bench.link.cut_off import CutOffError
from bench.link.live import priority
from bench.link.live.account import Account, Side
from bench.link.live.begin import await_far_end, hear_nothing
from bench.link.live.flaws import refuse_flaws
from bench.link.live.packets import Datagrams
from bench.link.live.pieces import Cutter
from bench.link.live.rules import LiveRules
from bench.link.live.time import TrialTime
from bench.link.live.wire import VirtualWire
from bench.link.pacer import Pacer
from bench.link.ports.base import Drains, LinkLostError, Reopens
from bench.link.sighter import TellsOwnTime

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from types import TracebackType

    from bench.base.clock import Clock
    from bench.base.columns import Line, Seen
    from bench.link.evidence import Evidence
    from bench.link.live.ears import Ear
    from bench.link.live.pieces import Piece
    from bench.link.observes import Observes
    from bench.link.ports.base import PutsFlaws
    from bench.link.sighter import Sighter
    from bench.link.transport import Transport
    from bench.profile.model import Bus

CHUNK_NS = 20_000_000
"""Time on the line of a chunk: a request to stop waits for one or two."""

_LEAST_OCTETS = 4
"""A chunk holds as many characters, however slow the line is."""

_NAP_S = 250e-6
"""Octets come one by one; who has just read some lets a few more come."""

_SLICE_S = 0.02
"""A wait is never longer without a look around."""

_DRIFT_NS = 2_000_000
"""A line is that much ahead or behind before the plan follows an adapter's own rate:
far more than the grain of what a driver tells, far less than the lead."""

_REOPEN_S = 0.1
"""A lost link is looked for so long before somebody asks for a signal."""

Made = TypeVar("Made")


def never() -> None:
    """No signal came."""


class LiveLink:
    """See `bench.link.link.Link`."""

    def __init__(
        self,
        transport: Transport,
        bus: Bus,
        sighter: Sighter,
        clock: Clock,
        rules: LiveRules | None = None,
        stop: Callable[[], int | None] = never,
        ears: Sequence[Ear] = (),
    ) -> None:
        """Take a transport over; nothing is sent or read yet.

        Args:
            transport: What moves octets; it is closed with the link.
            bus: The line, as the plan has it.
            sighter: Who makes sightings of what is heard.
            clock: The same that the transport goes by.
            rules: How it behaves.
            stop: Asked in long waits: the number of a signal that came, or None.
            ears: Ports that are read beside the bus.
        """
        self._transport = transport
        self._bus = bus
        self._sighter = sighter
        self._clock = clock
        self._rules = rules = rules or LiveRules()
        self._stop = stop
        self._ears = ears
        self._cutter = Cutter(bus.pitch, rules.lead_ns, rules.piece_ns)
        self._wire = VirtualWire(bus.pitch)
        self._pacer = Pacer(clock, rules.placing, self._rest)
        self._account = Account(rules.lead_ns)
        self._time = TrialTime(self._pacer)
        self._nap = False
        self._rested = True  # nothing was under way
        self._anew = True  # nothing has come to the far end
        self._carried = 0
        self._confirmed: int | None = None
        self._datagrams: Datagrams | None = None
        if transport.can.keeps_packets:
            self._datagrams = Datagrams()
        self._gone: Fault | None = None

    # --- what it is -------------------------------------------------------------------

    @property
    def name(self) -> str:
        """See `Link`."""
        return self._transport.name

    @property
    def observes(self) -> Observes:
        """See `Link`."""
        return self._sighter.observes

    @property
    def most_octets(self) -> int:
        """See `Link`."""
        return max(_LEAST_OCTETS, int(CHUNK_NS / self._bus.pitch.step))

    @property
    def rates(self) -> Sequence[int] | None:
        """Bit rates that the adapter makes near the plan's; None: not known."""
        rates: Sequence[int] | None = getattr(self._transport, "rates", None)
        return rates

    @property
    def transport(self) -> Transport:
        """What moves the octets."""
        return self._transport

    @property
    def counts(self) -> dict[str, int | None]:
        """What only grows, or is not observable; from any thread."""
        return self._account.counts(self._confirmed)

    def lately(self) -> dict[str, Any]:
        """How well the plan was held since the last call, in the thread that carries.

        Returns:
            "lateness_p99_ns" of write calls; and "spacing", why no verdict may rest on
            it, where packets are to be placed in time.
        """
        starts, late, shifts = self._pacer.lately()
        packets = starts.total
        starts.merge(self._account.lately())
        percentiles, rules = starts.percentiles(), self._rules.placing
        spacing = None
        kept = not shifts and late <= rules.late_share * packets
        if self._rules.pacing == "timed" and not kept:
            late_ms = format_ns(rules.late_ns)
            spacing = f"{late} of {packets} packets over {late_ms} late"
        return {
            "lateness_p99_ns": None if percentiles is None else percentiles.p99,
            "spacing": spacing,
        }

    def evidence(self) -> Evidence:
        """See `Link`."""
        heard = self._sighter.evidence()
        self._confirm()
        confirmed = self._confirmed
        if confirmed is None and "echo" in heard.figures:
            confirmed = heard.figures["echo"].get("verified")
        wire = self._wire
        side = Side(
            self._rules,
            self._transport.can,
            self._transport.told(),
            self._pacer.report(),
            confirmed,
            self._bus.character.at(self._account.accepted),
            self._bus.baud,
            0 if wire.first_ns is None else wire.free_ns - wire.first_ns,
        )
        return self._account.evidence(side) + heard

    def drain(self) -> int | None:
        """Wait, bounded, until what was accepted is on the wire.

        Returns:
            Up to how many characters may not be; None: nobody tells.
        """
        transport = self._transport
        if self._gone is not None or not isinstance(transport, Drains):
            return None
        with suppress(LinkError):
            return transport.drain()
        return None

    def close(self) -> None:
        """See `Link.close`; what was accepted has had its time on the line."""
        if self._gone is None and self._time.zero_ns is not None:
            left_ns = min(self._wire.free_ns - self._clock.now_ns(), NS_PER_S)
            self._clock.sleep(left_ns / NS_PER_S)
        if self._gone is None:
            self._gone = Fault("link closed", self.name)
        for transport in (self._transport, *(ear.transport for ear in self._ears)):
            transport.close()

    def __enter__(self) -> LiveLink:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- a chunk ----------------------------------------------------------------------

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """See `Link.carry`; raises `CutOffError` with what came of the chunk."""
        if self._gone is not None:
            raise CutOffError(self._gone)
        sent = sent or Sent(no_rows(SENT), no_octets())
        self._carried = 0
        try:
            if len(line.flaws):
                refuse_flaws(line, self._transport)
            if self._time.zero_ns is None:
                self._begin()
            if len(line.octets):
                self._account.offered += len(line.octets)
                self._sighter.sent(line, sent)
                self._put(line, sent)
            else:
                self._pass_until(line.until_ns)
            self._listen()
        except LinkError as error:
            raise self._cut_off(error) from error
        self._confirm()
        return self._sighter.seen(self._time.trial_ns(self._clock.now_ns()))

    def _begin(self) -> None:
        """Listen, and let the trial begin.

        Raises:
            LinkError: If nobody is at the far end, or the bus is not quiet.
        """
        rules = self._rules
        if rules.realtime:
            self._account.realtime = priority.ask()
        await_far_end(self._transport, self._clock, self._stop)
        hear_nothing(self._transport, self._clock, rules.listen_ns)
        self._time.zero_ns = self._clock.now_ns() + rules.lead_ns

    def _put(self, line: Line, sent: Sent) -> None:
        """Put the characters of a chunk on the line."""
        if self._datagrams is not None:
            for packet in self._datagrams.packets(line, sent):
                self._place(packet.due_ns)
                self._write(memoryview(packet.octets), begins=True)
                self._carried = packet.carried
            self._account.left_out = self._datagrams.left_out
            return
        octets = memoryview(line.octets.tobytes())
        for piece in self._cutter.pieces(line):
            if piece.flaw:
                self._put_flaw(piece, octets[piece.first])
            else:
                self._put_piece(piece, octets[piece.first : piece.end])

    def _put_piece(self, piece: Piece, octets: memoryview) -> None:
        """Characters without anything special."""
        if piece.begins:
            self._place(piece.start_ns)
        else:
            self._pass_until(piece.due_ns)
        if not piece.begins and piece.due_ns != piece.start_ns:
            now_ns = self._clock.now_ns()
            late_ns = now_ns - self._time.at(piece.due_ns)
            self._account.handed_over(late_ns, self._wire.free_ns - now_ns)
        self._write(octets, begins=piece.begins)

    def _put_flaw(self, piece: Piece, octet: int) -> None:
        """A break, or a marked character; whatever was before it has left by then."""
        transport = self._transport
        self._place(piece.start_ns)
        if piece.flaw == Flaw.BREAK:
            ns = self._obeyed(transport.hold_low, piece.length_ns)
            self._account.breaks.add(ns)
            self._wire.set_free(self._clock.now_ns())
        else:
            puts = cast("PutsFlaws", transport)  # what cannot was refused
            self._obeyed(puts.put, octet, Flaw(piece.flaw))
            self._wire.accept(1, self._clock.now_ns())
        self._took(1)

    def _place(self, start_ns: int) -> None:
        """Wait for the start of a run; it may move the plan."""
        before_ns, silence_ns = self._pacer.shift_ns, self._rules.silence_ns
        # Where no silence has to be kept, the line queues by itself.
        rested_ns = self._wire.free_ns + silence_ns if silence_ns else 0
        self._pacer.wait(self._time.unmoved(start_ns), rested_ns)
        self._moved(self._pacer.shift_ns - before_ns)

    def _write(self, octets: memoryview, *, begins: bool) -> None:
        """Hand over; come back when all was accepted."""
        stalled_ns: int | None = None
        while octets:
            if self._follows:
                self._follow(begins=begins)
            now_ns = self._clock.now_ns()
            accepted = self._obeyed(self._transport.write, octets)
            if accepted:
                if stalled_ns is not None:
                    self._went_on(now_ns - stalled_ns, now_ns, begins=begins)
                    stalled_ns = None
                late_ns = self._wire.accept(accepted, now_ns)
                if late_ns and not (begins or self._rested):
                    self._ran_dry(late_ns, now_ns)
                begins, self._rested, self._time.held_ns = False, False, None
                if self._anew:
                    self._begin_far_clock(now_ns)
                self._took(accepted)
                octets = octets[accepted:]
            if octets:
                stalled_ns = now_ns if stalled_ns is None else stalled_ns
                self._wait_for_room(now_ns - stalled_ns)

    def _went_on(self, stalled_ns: int, now_ns: int, *, begins: bool) -> None:
        """The transport takes something again."""
        self._account.stalled(stalled_ns, self._time.trial_ns(now_ns))
        if begins and stalled_ns > self._rules.lead_ns:
            self._move(stalled_ns)

    def _took(self, octets: int) -> None:
        """The transport accepted characters."""
        self._account.accepted += octets
        self._carried += octets

    # --- time ---------------------------------------------------------------------

    def _pass_until(self, plan_ns: int) -> None:
        """Let time pass up to an instant of the plan, which may move meanwhile."""
        while (left_ns := self._time.at(plan_ns) - self._clock.now_ns()) > 0:
            self._rest(left_ns / NS_PER_S)

    def _rest(self, seconds: float, *, room: bool = False) -> None:
        """Let time pass, at most so long, and listen."""
        if self._nap:
            self._clock.sleep(min(seconds, _NAP_S))
        else:
            try:
                self._transport.wait(min(seconds, _SLICE_S), room=room)
            except LinkError as error:
                self._have_back(error)
        self._listen()

    def _listen(self) -> None:
        """Hand what has come to who makes sightings."""
        heard = self._obeyed(self._transport.read)
        self._nap = heard is not None
        if heard is not None:
            self._account.heard += len(heard.octets)
            self._sighter.heard(heard, self._time.trial_ns(heard.at_ns))
        for ear in self._ears:
            if (heard := ear.transport.read()) is not None:
                ear.hand(heard, self._time.trial_ns(heard.at_ns))

    def _confirm(self) -> None:
        """Note how many characters have left, where that is told."""
        if not self._transport.can.tells_unsent:
            return
        with suppress(LinkError):
            unsent = self._transport.unsent()
            if unsent is not None:
                self._confirmed = max(0, self._account.accepted - unsent)

    # --- what is not as it should be --------------------------------------------------

    def _move(self, ns: int) -> None:
        """Move the plan."""
        self._pacer.shift_ns += ns
        self._moved(ns)

    def _moved(self, ns: int) -> None:
        """The plan was moved; whoever hears of a far clock has to know."""
        if not ns:
            return
        self._account.moved_ns += ns
        if isinstance(self._sighter, TellsOwnTime):
            self._sighter.moved(ns, self._time.of_plan(self._clock.now_ns()))

    def _begin_far_clock(self, at_ns: int) -> None:
        """The first character came to a far end, at an instant of the clock."""
        self._anew = False
        if isinstance(self._sighter, TellsOwnTime):
            self._sighter.anew(self._time.of_plan(at_ns))

    def _ran_dry(self, late_ns: int, now_ns: int) -> None:
        """The line rested inside a run."""
        self._account.dry.add(late_ns, self._time.trial_ns(now_ns))
        if self._rules.pacing != "timed":
            self._move(late_ns)

    @property
    def _follows(self) -> bool:
        """Whether an adapter keeps its own bit rate and tells how far it is."""
        can = self._transport.can
        return can.keeps_baud and can.tells_unsent and self._rules.pacing != "timed"

    def _follow(self, *, begins: bool) -> None:
        """Let the plan follow the adapter's bit rate, which is not the host's clock."""
        unsent = self._obeyed(self._transport.unsent)
        now_ns, reckoned_ns = self._clock.now_ns(), self._wire.free_ns
        if unsent is None or begins or reckoned_ns <= now_ns:
            return
        drift_ns = now_ns + self._bus.pitch.at(unsent) - reckoned_ns
        if unsent == 0:
            # It was empty before it had to be; for how long is not observable.
            self._account.dry.add(None, self._time.trial_ns(now_ns))
        elif abs(drift_ns) < _DRIFT_NS:
            return
        self._wire.set_free(reckoned_ns + drift_ns)
        self._move(drift_ns)
        self._account.drift_ns += drift_ns

    def _wait_for_room(self, stalled_ns: int) -> None:
        """Let the transport get rid of some, unless that takes too long.

        Raises:
            LinkError: If it does.
        """
        now_ns = self._clock.now_ns()
        self._time.hold(max(self._wire.free_ns, now_ns))
        long = stalled_ns >= self._rules.refuse_ns
        if long or (stalled_ns > self._rules.lead_ns and self._stop() is not None):
            self._account.stalled(stalled_ns, self._time.trial_ns(now_ns))
            took = format_count(self._account.accepted)
            of = format_count(self._account.offered)
            value = f"nothing taken for {format_ns(stalled_ns)}, {took} of {of} before"
            raise LinkError(Fault("peer not reading", value, where=self.name))
        self._rest(_SLICE_S, room=True)
        if stalled_ns > 0:
            self._clock.sleep(_NAP_S)  # room that is none is no reason to spin

    def _obeyed(self, call: Callable[..., Made], *given: Any) -> Made:
        """What a call to the transport gives, once it is there again if it was lost."""
        while True:
            try:
                return call(*given)
            except LinkError as error:
                self._have_back(error)

    def _have_back(self, error: LinkError) -> None:
        """Wait for a lost transport, if that was asked for; else raise the error."""
        transport, clock = self._transport, self._clock
        if not (isinstance(error, LinkLostError) and isinstance(transport, Reopens)):
            raise error
        if not self._rules.reopen_ns or self._time.zero_ns is None:
            raise error
        self._time.hold(max(self._wire.free_ns, error.at_ns))
        until_ns = error.at_ns + self._rules.reopen_ns
        while (now_ns := clock.now_ns()) < until_ns and self._stop() is None:
            if transport.reopen(min(_REOPEN_S, (until_ns - now_ns) / NS_PER_S)):
                now_ns = clock.now_ns()
                self._account.out.add(now_ns - error.at_ns, self._time.trial_ns(now_ns))
                self._move(now_ns - (self._time.held_ns or now_ns))
                self._wire.set_free(now_ns)
                self._time.held_ns, self._rested, self._anew = None, True, True
                return
            if clock.now_ns() == now_ns:
                clock.sleep(_NAP_S)
        raise error

    def _cut_off(self, error: LinkError) -> CutOffError:
        """The one event that the link is lost or refused; nothing is carried after."""
        self._gone = error.fault
        seen = None
        if self._time.zero_ns is not None:
            at_ns = getattr(error, "at_ns", self._clock.now_ns())
            fault = error.fault
            text = f"{fault.what}: {fault.value}" if fault.value else fault.what
            self._account.lost = (text, self._time.trial_ns(at_ns))
            seen = self._sighter.seen(self._time.trial_ns(self._clock.now_ns()))
        self._confirm()
        return CutOffError(error.fault, self._carried, seen)
