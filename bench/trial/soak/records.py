"""What a night writes down: intervals and events in one log, anomalies in the other.

Everything is put on one line of time, that of all traffic since the beginning, and an
interval that the host spoilt says so, with why.  As long as the disk is full, records
wait in memory; the ledger is not asked to write where there is no room, since a log
that failed once is never gone on with.
"""

from __future__ import annotations

from collections import Counter, deque
from typing import TYPE_CHECKING, Any, Protocol

from bench.base.units import format_ns
from bench.trial.soak.health import reasons

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from bench.trial.soak.host import Happened, Host, System
    from bench.trial.soak.sums import Sums

ROOM_OCTETS = 2 << 20
"""With less on the disk nothing is written: the verdict and the report need some too.
"""

HELD = 20_000
"""Records that wait in memory at most."""

DETAIL_OCTETS = 8 << 20
"""Octets of packets that are kept with anomalies in a night; after that they are told
without."""

_SHIFTED = ("ns", "sent_ns")
_OCTETS = ("expected", "seen", "before")


class Kept(Protocol):
    """What a night needs of a ledger; see `bench.ledger.Ledger`."""

    folder: Path
    failed: Any

    def interval(self, record: Mapping[str, Any]) -> None:
        """Append to the interval log."""
        ...

    def anomaly(self, record: Mapping[str, Any]) -> None:
        """Append to the anomaly log."""
        ...

    def sync(self) -> None:
        """Return once every record is on the disk."""
        ...


class Book:
    """Writes the night down.

    Attributes:
        stretch: Number of the stretch that is on.
        base_ns: Time on the line before it.
        number: Of the next interval.
        live: Whether the link of the stretch passes in real time.
        link_lost: Whether that link is lost.
        sums: All that was written, summed up.
        events: What happened, as it was written.
        first: Of each kind of anomaly the first one.
        last: The last interval.
    """

    def __init__(
        self,
        ledger: Kept,
        system: System,
        sums: Sums,
        confidence: float,
        told: Callable[[], None],
    ) -> None:
        """Nothing written by us.

        Args:
            ledger: Where it goes.
            system: Tells what room there is.
            sums: What to sum up in.
            confidence: Of the bound beside each interval.
            told: Called after every interval.
        """
        self._ledger = ledger
        self._system = system
        self._confidence = confidence
        self._told = told
        self._spoilt: list[str] = []
        self._waiting: deque[tuple[bool, dict[str, Any]]] = deque()
        self._full_since: tuple[int, int] | None = None
        self._kinds: Counter[str] = Counter()
        self._detail_octets = 0
        self._failure_told = False
        self.host: Host | None = None
        self.awake_before_ns = self.total_before_ns = 0
        self.sums = sums
        self.stretch = self.base_ns = self.number = 0
        self.live = self.link_lost = False
        self.events: list[dict[str, Any]] = []
        self.first: dict[str, dict[str, Any]] = {}
        self.last: dict[str, Any] | None = None

    # --- written ----------------------------------------------------------------------

    def interval(self, record: Mapping[str, Any]) -> None:
        """See `Records`."""
        own = dict(record)
        host, lately = own.pop("host", {}), own.pop("lately", {})
        own["from_ns"] += self.base_ns
        own["to_ns"] += self.base_ns
        own["stretch"], own["number"] = self.stretch, self.number
        void: list[str] = []
        if self.live:
            void = reasons(own.get("link", {}), lately, self._spoilt)
            if self.link_lost:
                void.append("the link was lost")
        self._spoilt = []
        own["health"] = {"void": void, **_health(own.get("link"), lately), **host}
        self._shift_causes(own)
        self.number += 1
        self.sums.take(own)
        own["upper"] = self.sums.upper(self._confidence)
        self.last = own
        self._write(own, anomaly=False)
        self._told()

    def anomaly(self, record: Mapping[str, Any]) -> None:
        """See `Records`."""
        own = dict(record)
        for key in _SHIFTED:
            if own.get(key) is not None:
                own[key] += self.base_ns
        own["stretch"], own["interval"] = self.stretch, self.number
        size = sum(len(str(own.get(key) or "")) for key in _OCTETS)
        if self._detail_octets + size > DETAIL_OCTETS:
            for key in _OCTETS:
                own.pop(key, None)
        else:
            self._detail_octets += size
        self.first.setdefault(own["kind"], own)
        self._write(own, anomaly=True)

    def sync(self) -> None:
        """See `Records`."""
        if not self._waiting:
            self._ledger.sync()

    def event(
        self, event: str, text: str, *, from_ns: int | None = None, **more: Any
    ) -> None:
        """Write down something that happened, once it is over.

        Args:
            event: What, in a word or two.
            text: The sentence.
            from_ns: Time on the line at which it began; now unless stated.
            more: Further keys, its length for one.
        """
        record = {
            "event": event,
            "from_ns": self.now_ns if from_ns is None else from_ns,
            "to_ns": self.now_ns,
            "stretch": self.stretch,
            "text": text,
            **self.times(),
            **more,
        }
        self.events.append(record)
        self._write(record, anomaly=False)
        if not self._waiting:
            self._ledger.sync()

    def happened(self, what: Happened) -> None:
        """Something happened to the host."""
        if what.spoils:
            self._spoilt.append(what.text)
        self.event(what.event, what.text, lasted_ns=what.lasted_ns)

    # --- when -------------------------------------------------------------------------

    trial_ns = 0
    """Time on the line of the stretch that is on."""

    @property
    def now_ns(self) -> int:
        """Time on the line, of all stretches."""
        return self.base_ns + self.trial_ns

    def times(self) -> dict[str, Any]:
        """This instant: a label, and how long it is since the beginning."""
        if self.host is None:
            return {"at": None, "awake_ns": 0, "total_ns": None}
        awake_ns, total_ns = self.host.since_ns()
        return {
            "at": utc(self._system.wall_ns()),
            "awake_ns": awake_ns + self.awake_before_ns,
            "total_ns": None if total_ns is None else total_ns + self.total_before_ns,
        }

    # --- how --------------------------------------------------------------------------

    def _shift_causes(self, record: dict[str, Any]) -> None:
        """Put examples of causes on the night's line of time."""
        if "causes" not in record:
            return
        record["causes"] = causes = [dict(cause) for cause in record["causes"]]
        for cause in causes:
            if "first" in cause:
                first = cause["first"] = dict(cause["first"])
                for key in _SHIFTED:
                    if first.get(key) is not None:
                        first[key] += self.base_ns

    def _write(self, record: dict[str, Any], *, anomaly: bool) -> None:
        """Write down, or keep it until there is room."""
        if self._full() and len(self._waiting) < HELD:
            self._waiting.append((anomaly, record))
            return
        while self._waiting:
            self._put(*self._waiting.popleft())
        self._put(anomaly, record)

    def _put(self, anomaly: bool, record: dict[str, Any]) -> None:
        write = self._ledger.anomaly if anomaly else self._ledger.interval
        write(record)
        if self._ledger.failed is not None and not self._failure_told:
            self._failure_told = True
            gone = not self._ledger.folder.exists()
            told = {
                "event": "log folder gone" if gone else "log stopped",
                "from_ns": self.now_ns,
                "to_ns": self.now_ns,
                "stretch": self.stretch,
                "text": str(self._ledger.failed),
                **self.times(),
            }
            self.events.append(told)

    def _full(self) -> bool:
        """Whether there is no room; one event once there is again."""
        free = self._system.free_octets(self._ledger.folder)
        full = free is not None and free < ROOM_OCTETS
        times = self.times()
        if full and self._full_since is None:
            self._full_since = self.now_ns, times["awake_ns"]
        elif not full and self._full_since is not None:
            from_ns, awake_ns = self._full_since
            self._full_since = None
            lasted_ns = times["awake_ns"] - awake_ns
            text = (
                f"the disk was full for {format_ns(lasted_ns, 3)}; nothing is missing"
            )
            self._waiting.append(
                (
                    False,
                    {
                        "event": "disk full",
                        "from_ns": from_ns,
                        "to_ns": self.now_ns,
                        "stretch": self.stretch,
                        "text": text,
                        "lasted_ns": lasted_ns,
                        **times,
                    },
                )
            )
            self.events.append(self._waiting[-1][1])
        return full


def _health(
    link: Mapping[str, Any] | None, lately: Mapping[str, Any]
) -> dict[str, Any]:
    """The figures of the bench's health that a link knows."""
    return {
        "queue_dry": None if link is None else link.get("queue_dry"),
        "lateness_p99_ns": lately.get("lateness_p99_ns"),
        "adapter_errors": lately.get("adapter_errors"),
    }


def utc(wall_ns: int) -> str:
    """A wall clock as text; never compared with anything."""
    from datetime import UTC, datetime

    moment = datetime.fromtimestamp(wall_ns // 10**9, UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")
