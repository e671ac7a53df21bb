"""Listening: read, wait, read.  Nothing is ever written to the transport.

The loop waits in short slices, so that a request to stop is seen within one; a link
that is lost ends it in order, with what was heard so far.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from bench.base.errors import BenchError, LinkError
from bench.base.grid import NS_PER_S
from bench.link.transport import Heard, Told
from bench.trial.listen.fit import fit, odd_sizes
from bench.trial.listen.listening import Listening
from bench.trial.listen.words import said_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.link.transport import Transport
    from bench.profile import Profile
    from bench.trial.listen.words import Said
    from bench.trial.runner import Records

SLICE_S = 0.02
"""Longest wait: a request to stop, and the end, are seen that soon."""

INTERVAL_NS = 10 * NS_PER_S
"""Time that one record of the interval log covers."""

TELL_NS = NS_PER_S // 2
"""How often at most an onlooker is told."""


class Onlooker(Protocol):
    """Somebody who looks on."""

    def heard(self, figures: dict[str, Any]) -> None:
        """What was heard so far."""
        ...


@dataclass(frozen=True, slots=True)
class Ears:
    """What listening works with.

    Attributes:
        clock: The bench's clock.
        ledger: Where records go.
        onlooker: Who is told of progress.
        stop: Asked often: the number of a signal that came, or None.
        keep: Takes every read for a recording, with its ns of the listening.
    """

    clock: Clock
    ledger: Records
    onlooker: Onlooker
    stop: Callable[[], int | None]
    keep: Callable[[Heard, int], object] | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How listening ended.

    Attributes:
        said: What is said of the bus.
        figures: All counts and measures, as strict JSON.
        signal: The signal that ended it, or None.
        lost: Why the link was lost, or None.
    """

    said: Said
    figures: dict[str, Any]
    signal: int | None
    lost: BenchError | None


def listen(
    transport: Transport, profile: Profile, duration_ns: int | None, ears: Ears
) -> Outcome:
    """Listen until time is over, the link is lost, or somebody says stop.

    Args:
        transport: Where octets come from; nothing is written to it.
        profile: The bus and its packets.
        duration_ns: How long; None: until it is stopped.
        ears: What it works with.

    Raises:
        LedgerError: If a record cannot be written and may not be done without.
    """
    session = _Session(transport, profile, duration_ns, ears)
    lost: LinkError | None = None
    try:
        session.hear()
    except LinkError as error:
        lost = error
    return session.end(lost)


class _Session:
    def __init__(
        self,
        transport: Transport,
        profile: Profile,
        duration_ns: int | None,
        ears: Ears,
    ) -> None:
        self._transport = transport
        self._profile = profile
        self._ears = ears
        self._listening = Listening(profile)
        self._began_ns = ears.clock.now_ns()
        self._until_ns = duration_ns
        self._now_ns = self._told_ns = self._recorded_ns = 0

    def hear(self) -> None:
        """Read until the end."""
        ears, transport = self._ears, self._transport
        while ears.stop() is None:
            heard = transport.read()
            if heard is not None:
                self._take(heard)
                self._now_ns = max(self._now_ns, heard.at_ns - self._began_ns)
            else:
                self._now_ns = ears.clock.now_ns() - self._began_ns
                self._listening.until(self._now_ns)
            self._tell()
            left_ns = NS_PER_S
            if self._until_ns is not None:
                left_ns = self._until_ns - self._now_ns
            if left_ns <= 0:
                return
            if heard is None:
                transport.wait(min(SLICE_S, left_ns / NS_PER_S), room=False)

    def _take(self, heard: Heard) -> None:
        at_ns = max(self._now_ns, heard.at_ns - self._began_ns)
        if self._ears.keep is not None:
            self._ears.keep(heard, at_ns)
        self._listening.take(heard, at_ns)

    def _tell(self) -> None:
        """Records and progress, now and then."""
        if self._now_ns - self._recorded_ns >= INTERVAL_NS:
            self._record()
        if self._now_ns - self._told_ns >= TELL_NS:
            self._told_ns = self._now_ns
            self._ears.onlooker.heard(self._figures(Told()))

    def _record(self) -> None:
        ledger = self._ears.ledger
        for anomaly in self._listening.anomalies():
            ledger.anomaly(anomaly)
        span = {"from_ns": self._recorded_ns, "to_ns": self._now_ns}
        ledger.interval(span | self._listening.interval())
        self._recorded_ns = self._now_ns
        ledger.sync()

    def _figures(self, told: Told) -> dict[str, Any]:
        can = self._transport.can
        figures = self._listening.figures(self._now_ns, tells_flaws=can.tells_flaws)
        return {
            **figures,
            "counts": dict(told.counts),
            "port": dict(told.facts),
            "port_notes": list(told.notes),
        }

    def end(self, lost: LinkError | None) -> Outcome:
        """Sum up."""
        self._now_ns = max(self._now_ns, self._ears.clock.now_ns() - self._began_ns)
        self._listening.finish()
        if self._now_ns > self._recorded_ns:
            self._record()
        try:
            told = self._transport.told()
        except LinkError:
            told = Told()
        figures = self._figures(told)
        fits = fit(self._profile, figures)
        said = said_of(figures, fits, odd_sizes(self._profile, figures))
        return Outcome(said, figures | {"budget": fits}, self._ears.stop(), lost)
