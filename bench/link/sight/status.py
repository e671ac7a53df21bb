"""Sightings by a node's own counters, in a packet or in a line of text.

Only what a counter grew by counts: a node may have run for weeks.  A counter that went
back by a wrap of its bits has grown over it; but if the uptime went back or the cause
of the last reset changed, the node was reset, its counters began at zero, and what it
did between its last report and the reset is not observable.

What a node says it has shown has neither data nor times, so it is put beside what was
sent by order alone.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from bench.link.evidence import Evidence
from bench.link.observes import Observes
from bench.link.sight.replies.answers import Answers
from bench.link.sight.rows import Names, RowsInMaking
from bench.profile.model import StatusObserve
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.base.columns import Line, Seen, Sent
    from bench.link.transport import Heard
    from bench.profile.model import Profile

_LONGEST_LINE = 4096
"""Octets of a line of text at most."""

_LONGEST_NS = 500_000_000
"""From the first octet of a status packet to its last at most, as the host reads it."""


@dataclass(slots=True)
class _Counts:
    """What is known of one node.

    Attributes:
        values: Its last report.
        grown: What its counters grew by since the first.
        reports: How many there were.
        resets: When it was found reset, in ns of the trial, and why as far as it says.
        began_at: Packets that had been sent to it at its first report.
        sent: Packets that were sent to it.
        since: Packets that were sent to it since its last report.
        unseen: Packets that it may have shown before a reset without telling.
    """

    values: dict[str, Any] = field(default_factory=dict)
    grown: dict[str, int] = field(default_factory=dict)
    reports: int = 0
    resets: list[tuple[int, str]] = field(default_factory=list)
    began_at: int = 0
    sent: int = 0
    since: int = 0
    unseen: int = 0


class StatusSighter:
    """Reads counters."""

    def __init__(self, profile: Profile, nodes: list[int]) -> None:
        """Nothing heard.

        Args:
            profile: The profile; the first of the nodes says how a status looks.
            nodes: Indexes of the nodes that are seen so.
        """
        observe = profile.node[nodes[0]].observe.status or StatusObserve()
        self._observe, self._nodes = observe, nodes
        self._names, self._called = Names(profile), [n.name for n in profile.node]
        self._all = len(nodes) == len(profile.node)
        self._rows = RowsInMaking()
        self._known = {index: _Counts() for index in nodes}
        self._line = re.compile(observe.line) if observe.line is not None else None
        self._text = bytearray()
        self._packets = None
        if observe.packet is not None:
            self._packets = Answers([format_of(observe.packet)], _LONGEST_NS)
        self._unread = 0

    @property
    def observes(self) -> Observes:
        """See `Sighter`."""
        return Observes(
            shown=self._observe.shown is not None,
            data=False,
            clocks=False,
            marginal=False,
            times=False,
            dropped=False,
            lost=False,
            nodes=None if self._all else tuple(self._nodes),
        )

    @property
    def port(self) -> tuple[str, int] | None:
        """Name and speed (0: as the bus) of its port; None: it comes on the bus."""
        if self._observe.port is None:
            return None
        return self._observe.port, int(self._observe.baud or 0)

    def sent(self, line: Line, sent: Sent) -> None:  # noqa: ARG002
        """See `Sighter`."""
        for index, counts in self._known.items():
            own = int((sent.rows["to"] == index).sum())
            counts.sent += own
            counts.since += own

    def heard(self, heard: Heard, at_ns: int) -> None:
        """See `Sighter`; what comes on a port of its own is handed in here, too."""
        if self._packets is not None:
            self._packets.take([(octet, at_ns) for octet in heard.octets])
        if self._line is None:
            return
        *lines, rest = heard.octets.split(b"\n")
        for part in lines:
            self._text += part
            self._read(self._text.decode("utf-8", "replace").strip("\r"), at_ns)
            self._text.clear()
        self._text += rest
        if len(self._text) > _LONGEST_LINE:
            self._text.clear()
            self._unread += 1

    def seen(self, until_ns: int) -> Seen:
        """See `Sighter`."""
        if self._packets is not None:
            for found in self._packets.found(until_ns):
                if found.form is not None:
                    name = None if found.address is None else str(found.address)
                    values = self._numbers(found.payload)
                    self._report(self._names.index(name), values, found.at_ns)
        return self._rows.seen(until_ns)

    def evidence(self) -> Evidence:
        """See `Sighter`."""
        findings, void, notes, figures = [], [], [], {}
        for index, counts in self._known.items():
            name = self._called[index]
            figures[name] = self._figures(counts)
            findings += [
                f"{name} was reset, found {at_ns / 1e9:.3f} s into the trial{cause}"
                for at_ns, cause in counts.resets
            ]
            if counts.unseen:
                notes.append(
                    f"up to {counts.unseen} packets for {name} came before a reset "
                    "and after its last report: they are counted lost, but it may "
                    "have shown them"
                )
            if not counts.reports:
                void.append(f"no status of {name} was heard")
            elif counts.began_at:
                void.append(
                    f"the first status of {name} was heard after {counts.began_at} "
                    "packets: what it shows of them is not known"
                )
        if self._unread:
            notes.append(f"{self._unread} lines were heard that hold no status")
        return Evidence({"status": figures}, tuple(findings), tuple(void), tuple(notes))

    # --- one report -------------------------------------------------------------------

    def _read(self, text: str, at_ns: int) -> None:
        """A line of text."""
        assert self._line is not None
        match = self._line.fullmatch(text)
        if match is None:
            self._unread += bool(text)
            return
        values: dict[str, Any] = {
            key: int(value) if _is_number(value) else value
            for key, value in match.groupdict().items()
            if value is not None
        }
        name = values.pop("node", None)
        index = self._names.index(None if name is None else str(name))
        self._report(index, values, at_ns)

    def _numbers(self, payload: bytes) -> dict[str, Any]:
        """The counters of a packet."""
        return {
            one.name: int.from_bytes(payload[one.at : one.at + one.size], one.order)
            for one in self._observe.counters
            if one.at + one.size <= len(payload)
        }

    def _report(self, index: int | None, values: dict[str, Any], at_ns: int) -> None:
        """What a node says."""
        if index not in self._known:
            self._unread += 1
            return
        counts = self._known[index]
        counts.reports += 1
        if counts.reports == 1:
            counts.began_at = counts.sent
        else:
            reset = self._reset(counts.values, values)
            if reset is not None:
                counts.resets.append((at_ns, reset))
            grown = self._grown({} if reset is not None else counts.values, values)
            for name, count in grown.items():
                counts.grown[name] = counts.grown.get(name, 0) + count
            shown = grown.get(self._observe.shown or "", 0)
            if reset is not None:
                counts.unseen += max(0, counts.since - shown)
            for _ in range(min(shown, counts.sent + _MORE)):
                self._rows.shown(index)
        counts.values, counts.since = {**counts.values, **values}, 0

    def _reset(self, old: dict[str, Any], new: dict[str, Any]) -> str | None:
        """Whether a node began anew, and why if it says so; None: it did not."""
        up, cause = self._observe.uptime, self._observe.reset_cause
        back = up in old and up in new and new[up] < old[up]
        changed = cause in old and cause in new and new[cause] != old[cause]
        if not back and not changed:
            return None
        return f" (cause {new[cause]})" if cause in new else ""

    def _grown(self, old: dict[str, Any], new: dict[str, Any]) -> dict[str, int]:
        """What each counter grew by; from zero where there is nothing before."""
        observe, wrap = self._observe, 1 << self._observe.wrap_bits
        names = [observe.shown, observe.received, *observe.errors]
        return {
            name: (new[name] - old.get(name, 0)) % wrap
            for name in names
            if name is not None and isinstance(new.get(name), int)
        }

    def _figures(self, counts: _Counts) -> dict[str, Any]:
        """Strict JSON."""
        observe, grown = self._observe, counts.grown

        def figure(name: str | None) -> int | None:
            return None if name is None or not counts.reports else grown.get(name, 0)

        return {
            "reports": counts.reports,
            "shown": figure(observe.shown),
            "received": figure(observe.received),
            "errors": {name: figure(name) for name in observe.errors},
            "resets": len(counts.resets),
            "version": counts.values.get(observe.version or ""),
        }


_MORE = 1 << 16
"""Packets that a node is believed to have shown beyond those that were sent to it: a
counter that jumps is a fault to be seen, not a heap of memory."""


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdecimal() and len(text) < 20
