"""The link of a drive: a live one, with somebody looking at what goes over it.

It takes as much at once as anybody likes, since it hands the live link rests a little
at a time, and looks for a stop in between.  When a chunk at whose beginning a mark
stands is handed over, the clock is read, and where the mark is a trigger's a modem line
is switched.  At the end of a trial it leaves lights at the safe level, unless the same
lights go on being driven.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal, Protocol, runtime_checkable

import numpy as np

from bench.base.columns import (
    DROPPED,
    FLAW,
    LOST,
    RUN,
    SENT,
    SHOWN,
    Line,
    Seen,
    Sent,
    no_octets,
    no_rows,
)
from bench.link.cut_off import CutOffError
from bench.trial.runner import STOPPED_NS, needed_ns
from bench.trial.safe import leave_safe
from bench.trial.slices import cut_at, nothing_seen, rests

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType

    from bench.base.clock import Clock
    from bench.base.errors import LinkError
    from bench.link.evidence import Evidence
    from bench.link.link import Link
    from bench.link.observes import Observes
    from bench.trial.plan import Plan

    Carried = tuple[Line, Sent, Seen]

LineName = Literal["dtr", "rts"]

_SWITCH_NS = 1_000_000
"""A modem line is switched so long before the first start bit: the system call takes a
fraction of it."""


@runtime_checkable
class SwitchesLines(Protocol):
    """A transport whose modem lines can be switched while it is open."""

    def switch(self, line: LineName, *, on: bool) -> None:
        """Switch DTR or RTS; returns once the system has been told."""
        ...


@dataclass(frozen=True, slots=True)
class Handed:
    """When a character was handed over.

    Attributes:
        octet: Global index of the character.
        at_ns: Instant of the clock by which the chunk that it begins was accepted.
        rest_ns: Time on the line from it to the end of that chunk.
        switched_ns: From when a modem line was switched to when the chunk had been
            accepted; None where none was.
    """

    octet: int
    at_ns: int
    rest_ns: int
    switched_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Around:
    """What a drive's link works with.

    Attributes:
        clock: The bench's clock.
        stop: The number of a signal that came, or None.
        goes_on: Whether the lights go on being driven when this trial ends.
        line: The modem line that a trigger switches; None: none.
    """

    clock: Clock
    stop: Callable[[], int | None]
    goes_on: Callable[[], bool]
    line: LineName | None = None


class DriveLink:
    """See the module; a `Link`.

    Attributes:
        handed: What was noted of the places that were to be watched.
        carried: What went over it, for who counts; taken from its front.
        plan: The trial.
        place: Global index of the next character.
        left: What was said of the safe level, once it was to be left.
        first_ns: Instant of the clock by which the first characters were accepted.
        last_ns: The same of the last ones.
    """

    most_octets = None

    def __init__(self, link: Link, plan: Plan, around: Around) -> None:
        """Nothing carried.

        Args:
            link: The live link; it is not closed here.
            plan: The trial.
            around: What it works with.
        """
        self._link = link
        self._around = around
        self._watched: dict[int, bool] = {}
        self._until_ns = 0
        self.plan = plan
        self.place = 0
        self._lost: LinkError | None = None
        self.handed: deque[Handed] = deque()
        self.carried: deque[Carried] = deque()
        self.left: Evidence | None = None
        self.first_ns: int | None = None
        self.last_ns: int | None = None

    @property
    def name(self) -> str:
        """See `Link`."""
        return self._link.name

    @property
    def observes(self) -> Observes:
        """See `Link`."""
        return self._link.observes

    @property
    def counts(self) -> Mapping[str, int | None]:
        """What the live link counts."""
        counts: Mapping[str, int | None] = getattr(self._link, "counts", {})
        return counts

    @property
    def switches(self) -> bool:
        """Whether a trigger switches a modem line."""
        return self._switching() is not None

    def watch(self, octet: int, *, trigger: bool) -> None:
        """Note when a character is handed over; from any thread, before it is."""
        self._watched[octet] = trigger

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """See `Link.carry`."""
        try:
            seen = self._carry(line, sent) if len(line.octets) else self._rest(line)
        except CutOffError as error:
            self._cut_off(line, sent, error)
            raise
        self._passed(line, sent, seen)
        return seen

    def _passed(self, line: Line, sent: Sent | None, seen: Seen) -> None:
        """A chunk is over."""
        self.place = line.first + len(line.octets)
        if len(line.octets):
            self._until_ns = max(self._until_ns, line.until_ns)
        self.carried.append((line, sent or nothing_sent(), seen))

    def _cut_off(self, line: Line, sent: Sent | None, error: CutOffError) -> None:
        """The link is lost: as much as it took went over it."""
        self._lost = error
        pitch, sent = self.plan.profile.bus.pitch, sent or nothing_sent()
        (line, sent), _ = cut_at(line, sent, error.octets, pitch)
        self._passed(line, sent, error.seen or nothing_seen(line.until_ns))

    def _carry(self, line: Line, sent: Sent | None) -> Seen:
        """Characters."""
        clock = self._around.clock
        first, end = line.first, line.first + len(line.octets)
        watched = [at for at in self._watched if first <= at < end]
        switching = self._switching()
        if not any(self._watched[at] for at in watched):
            switching = None
        start_ns = int(line.runs["start_ns"][0])
        if switching is not None:
            # The line is switched as late as there is time for it.
            self._rest(_rest(first, start_ns - _SWITCH_NS))
            switching(on=True)
        switched_ns = clock.now_ns()
        try:
            seen = self._link.carry(line, sent)
        finally:
            if switching is not None:
                switching(on=False)
        self.last_ns = now_ns = clock.now_ns()
        if self.first_ns is None:
            self.first_ns = now_ns
        took_ns = None if switching is None else now_ns - switched_ns
        for at in watched:
            del self._watched[at]
            self.handed.append(Handed(at, now_ns, line.until_ns - start_ns, took_ns))
        return seen

    def _switching(self) -> Callable[..., None] | None:
        """What switches the modem line, where there is one."""
        transport = getattr(self._link, "transport", None)
        line = self._around.line
        if line is None or not isinstance(transport, SwitchesLines):
            return None
        return partial(transport.switch, line)

    def _rest(self, line: Line) -> Seen:
        """Let time pass, and listen; a signal shortens it to what nodes need."""
        parts, from_ns = [], self._until_ns
        needed = max(STOPPED_NS, needed_ns(self.plan.profile))
        for part, sent in rests(line.first, from_ns, line.until_ns):
            parts.append(self._link.carry(part, sent))
            self._until_ns = part.until_ns
            waited_ns = part.until_ns - from_ns
            if waited_ns >= needed and self._around.stop() is not None:
                break
        return _joined(parts) if parts else nothing_seen(from_ns)

    # --- the end ----------------------------------------------------------------------

    def evidence(self) -> Evidence:
        """See `Link`; a trial asks for it once, when it is over."""
        evidence = self._link.evidence()
        if not self._around.goes_on():
            self.left = self.leave_safe()
            evidence += self.left
        return evidence

    def leave_safe(self) -> Evidence:
        """Leave lights at the safe level, or say why not."""
        if self.left is not None:
            return self.left
        return leave_safe(self._link, self.plan, self.place, self._until_ns, self._lost)

    def close(self) -> None:
        """Whoever opened the live link closes it."""

    def __enter__(self) -> DriveLink:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def nothing_sent() -> Sent:
    """No packets."""
    return Sent(no_rows(SENT), no_octets())


def _rest(first: int, until_ns: int) -> Line:
    """A chunk without characters."""
    return Line(no_octets(), no_rows(RUN), no_rows(FLAW), first, until_ns)


def _joined(parts: list[Seen]) -> Seen:
    """What was seen in several rests."""
    if len(parts) == 1:
        return parts[0]
    shown = []
    place = 0
    for part in parts:
        rows = part.shown.copy()
        rows["data_at"] += place
        place += len(part.data)
        shown.append(rows)
    return Seen(
        np.concatenate([np.empty(0, SHOWN), *shown]),
        np.concatenate([np.empty(0, np.uint8), *(part.data for part in parts)]),
        np.concatenate([np.empty(0, DROPPED), *(part.dropped for part in parts)]),
        np.concatenate([np.empty(0, LOST), *(part.lost for part in parts)]),
        parts[-1].until_ns,
    )
