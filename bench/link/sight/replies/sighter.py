"""Sightings by answers on the bus: who answered what, how fast, and what was lost.

An answer shows that a node took a packet; where it carries the payload back, also what
the node took.  What lanes showed is not seen.

An answer is given to a packet by address, contents and order: of the packets for its
address that have begun and wait, the first with the same payload whose window is still
open, else the last with it, late.  Where no payload tells, it is the last one whose
window is open, else the last of all, late.  An answer with another payload than the
packet in its window is wrong data.  What is left over was asked by nobody.

A node should answer its own good packets and nothing else.  So packets for others,
ones with a bad check, cut ones and the like are followed, too, and what was on the bus
before a good packet that got no answer (`bench.link.sight.replies.before`).
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from bench.link.evidence import Evidence
from bench.link.observes import Observes
from bench.link.sight.echo import Echo
from bench.link.sight.replies.answers import Answers, Found
from bench.link.sight.replies.asked import Asked, Kind, Reader
from bench.link.sight.replies.before import Before
from bench.link.sight.replies.tally import Tally
from bench.link.sight.replies.trips import Trips
from bench.link.sight.rows import RowsInMaking, SentOctets, runs_of
from bench.profile.model import ReplyObserve
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.base.columns import Line, Seen, Sent
    from bench.link.transport import Heard
    from bench.profile.model import Profile

_LATE_WINDOWS = 4
_LATE_NS = 500_000_000
"""An answer is waited for, late, for some windows, and at least for as long as slow
firmware takes; a packet without one then is lost."""

_REPLY, _REFUSAL = 0, 1

_ANSWERED = f"{Kind.FOREIGN.value} that was answered"
_UNANSWERED = f"{Kind.FOREIGN.value} that nobody answered"


class ReplySighter:
    """Finds answers, and what they answer."""

    def __init__(self, profile: Profile, nodes: list[int]) -> None:
        """Nothing sent, nothing heard.

        Args:
            profile: The profile; the first of the nodes says how answers look.
            nodes: Indexes of the nodes that are seen so.
        """
        self._profile, self._nodes = profile, nodes
        observe = profile.node[nodes[0]].observe.reply or ReplyObserve()
        self._observe = observe
        form = format_of(profile.packet)
        probe = None if observe.probe is None else format_of(observe.probe.packet)
        addresses = [node.address for node in profile.node]
        self._reader = Reader(form, probe, addresses)
        self._asked_kind = Kind.OWN if probe is None else Kind.PROBE
        forms = [form if observe.packet is None else format_of(observe.packet)]
        if observe.refusal is not None:
            forms.append(format_of(observe.refusal))
        self._mask = form.layout.mask
        self._answers = Answers(forms, observe.window_ns)
        character_ns = profile.bus.pitch.step
        self._answer_ns = int(forms[0].layout.longest * character_ns)
        self._packet_ns = int(form.layout.longest * character_ns)
        echo_ns = observe.window_ns
        self._echo = Echo(echo_ns) if profile.bus.echo else None
        self._unheard: list[tuple[int, int]] = []
        self._octets = SentOctets()
        self._waiting: deque[Asked] = deque()
        self._late_ns = max(_LATE_WINDOWS * observe.window_ns, _LATE_NS)
        self._rows = RowsInMaking()
        self._trips = Trips()
        self._before = {node: Before() for node in nodes}
        self._tally = Tally()

    @property
    def observes(self) -> Observes:
        """See `Sighter`."""
        whole = len(self._nodes) == len(self._profile.node)
        return Observes(
            shown=self._observe.probe is None,
            data=self._observe.payload,
            clocks=False,
            marginal=False,
            times=False,
            dropped=False,
            lost=False,
            nodes=None if whole else tuple(self._nodes),
        )

    def sent(self, line: Line, sent: Sent) -> None:
        """See `Sighter`."""
        for row, characters in self._octets.take(line, sent):
            self._waiting.append(self._reader.asked(row, characters))
        if self._echo is not None:
            octets = line.octets.tobytes()
            for first, end, start_ns, end_ns in runs_of(line, self._profile.bus.pitch):
                self._echo.sent(octets[first:end], start_ns, end_ns)

    def heard(self, heard: Heard, at_ns: int) -> None:
        """See `Sighter`."""
        if self._echo is not None:
            self._echo.heard(heard.octets, at_ns)
        else:
            self._unheard += [(octet, at_ns) for octet in heard.octets]

    def seen(self, until_ns: int) -> Seen:
        """See `Sighter`."""
        rest, self._unheard = self._unheard, []
        if self._echo is not None:
            rest = self._echo.rest(until_ns)
        self._answers.take(rest)
        for found in self._answers.found(until_ns):
            self._answered(found)
        waited_ns = self._observe.window_ns + self._late_ns
        while self._waiting and self._waiting[0].last_bit_ns + waited_ns < until_ns:
            self._settle(self._waiting.popleft())
        return self._rows.seen(until_ns)

    def evidence(self) -> Evidence:
        """See `Sighter`."""
        names = [node.name for node in self._profile.node]
        # Who answers for nobody, and now and then does not, has lost that packet, too.
        odd = self._tally.mostly_answers_foreign
        victims = frozenset([_UNANSWERED] if odd else [])
        deaf = [
            (names[node], finding)
            for node, before in self._before.items()
            for finding in before.findings(victims)
        ]
        figures = {
            **self._tally.figures(),
            "round_trip": self._trips.figures(self._packet_ns, self._answer_ns),
            "deaf": [{"node": name, **found.as_dict()} for name, found in deaf],
        }
        findings = [*self._tally.findings(names), *(f"{n}: {f}" for n, f in deaf)]
        notes = (*self._tally.notes(), *self._trips.notes())
        found = Evidence({"reply": figures}, tuple(findings), (), notes)
        return found if self._echo is None else found + self._echo.evidence()

    # --- answers ----------------------------------------------------------------------

    def _answered(self, found: Found) -> None:
        """One answer, or what is none."""
        if found.form is None:
            self._tally.junk += len(found.octets)
            return
        asked = self._asked(found)
        if asked is None:
            self._unasked(found)
            return
        asked.answered_ns = found.at_ns
        asked.refused = found.form == _REFUSAL
        carries = self._observe.payload and self._observe.probe is None
        asked.wrong = carries and not asked.refused and asked.payload != found.payload
        if asked.kind == self._asked_kind:
            self._trips.add(found.at_ns - asked.start_ns)
        if not asked.refused:
            self._show(asked.node, found)

    def _asked(self, found: Found) -> Asked | None:
        """The packet that an answer is to."""
        waiting = [
            asked
            for asked in self._waiting
            if asked.answered_ns is None
            and asked.start_ns <= found.first_ns
            and self._matches(asked, found.address)
        ]
        window_ns = self._observe.window_ns
        open_ = [a for a in waiting if found.at_ns <= a.last_bit_ns + window_ns]
        if self._observe.payload and found.form == _REPLY:
            same = [a for a in open_ if a.payload == found.payload]
            if same:
                return same[0]
            same = [a for a in waiting if a.payload == found.payload]
            if same:
                return same[-1]
            return open_[-1] if open_ else None
        left = open_ or waiting
        return left[-1] if left else None

    def _matches(self, asked: Asked, address: int | None) -> bool:
        if address is None or asked.address is None:
            return address is None
        return asked.address & self._mask == address & self._mask

    def _unasked(self, found: Found) -> None:
        """An answer to nothing that waits: a second one, or one that nobody asked."""
        for asked in reversed(self._waiting):
            again = asked.answered_ns is not None and asked.payload == found.payload
            if again and self._matches(asked, found.address) and found.form == _REPLY:
                self._tally.repeated += 1
                self._show(asked.node, found)
                return
        self._tally.unasked[found.address] += 1

    def _show(self, node: int, found: Found) -> None:
        """A node took a packet, right or wrong, and said so."""
        if node in self._before and self._observe.probe is None:
            self._rows.shown(node, found.payload if self._observe.payload else b"")

    # --- packets ----------------------------------------------------------------------

    def _settle(self, asked: Asked) -> None:
        """What became of one packet is certain."""
        late = False
        if asked.answered_ns is not None:
            late = asked.answered_ns > asked.last_bit_ns + self._observe.window_ns
        self._tally.add(asked, late)
        what = asked.kind.value
        if asked.kind in (Kind.FOREIGN, Kind.OWN):
            heard = (
                "was answered" if asked.answered_ns is not None else "nobody answered"
            )
            what = f"{Kind.FOREIGN.value} that {heard}"
        for node, before in self._before.items():
            if asked.kind is self._asked_kind and asked.node == node:
                before.own(asked.start_ns, asked.answered_ns is None)
            else:
                before.other(what, asked.last_bit_ns)
