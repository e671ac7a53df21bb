"""Sightings by lines of text: a child program or a served node writes down what it did.

The lines are those of `bench.link.lines`.  Their times count from the start bit of the
first character that the program received; here they are put on the trial's.

A profile says what the lines tell, and only that is observed, whatever they say beside
it.  A line that leaves out what was promised is counted: of a missing time or missing
octets nothing else can be made, so the trial is void.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from bench.base.units import format_ns
from bench.link.evidence import Evidence
from bench.link.lines import LONGEST, drop_of, parse_line
from bench.link.observes import Observes
from bench.link.sight.earliest import Earliest
from bench.link.sight.far_clock import FarClock
from bench.link.sight.rows import Names, RowsInMaking
from bench.profile.model import LinesObserve

if TYPE_CHECKING:
    from bench.base.columns import Line, Seen, Sent
    from bench.link.transport import Heard
    from bench.profile.model import Profile

_KNOWN = {
    "shown": frozenset(
        ("node", "octets", "clocks", "burst", "first", "end", "shown", "marginal")
    ),
    "dropped": frozenset(("node", "reason")),
    "lost": frozenset(("node", "characters")),
    "reset": frozenset(("node", "cause")),
}
"""Words, and the keys of each; a `status` line has any."""

_TIMES = ("burst", "first", "end", "shown")

_NAMED = 8
"""Unknown words and keys that are named at most."""


class LinesSighter:
    """Reads sighting lines."""

    def __init__(self, profile: Profile, nodes: list[int]) -> None:
        """Nothing heard.

        Args:
            profile: The profile; the first of the nodes says what lines tell.
            nodes: Indexes of the nodes that are seen so.
        """
        observe = profile.node[nodes[0]].observe.lines or LinesObserve()
        self._tells = frozenset(observe.tells)
        self._names = Names(profile)
        self._called = [node.name for node in profile.node]
        self._nodes = nodes
        self._all = len(nodes) == len(profile.node)
        self._rows = RowsInMaking()
        self._text = bytearray()
        self._skips = False
        self._far = FarClock()
        self._earliest = Earliest(len(profile.node))
        self._lines = 0
        self._missing: Counter[str] = Counter()
        self._unknown: Counter[str] = Counter()
        self._unread = 0
        self._resets: Counter[tuple[int, str]] = Counter()
        self._status: dict[str, Any] = {}

    @property
    def observes(self) -> Observes:
        """See `Sighter`."""
        tells = self._tells
        return Observes(
            data="octets" in tells,
            clocks="clocks" in tells,
            marginal="marginal" in tells,
            times="times" in tells,
            dropped="dropped" in tells,
            lost="lost" in tells,
            nodes=None if self._all else tuple(self._nodes),
        )

    def sent(self, line: Line, sent: Sent) -> None:
        """See `Sighter`."""
        if {"times", "octets"} <= self._tells:
            self._earliest.sent(sent)
        if self._far.origin_ns is None and len(line.runs):
            self._far.begin(int(line.runs[0]["start_ns"]))

    def anew(self, at_ns: int) -> None:
        """See `TellsOwnTime`; what a far end before had begun to say never comes."""
        self._far.begin(at_ns)
        self._text.clear()
        self._skips = False

    def moved(self, ns: int, at_ns: int) -> None:
        """See `TellsOwnTime`."""
        self._far.moved(ns, at_ns)

    def heard(self, heard: Heard, at_ns: int) -> None:
        """See `Sighter`."""
        *lines, rest = heard.octets.split(b"\n")
        for part in lines:
            self._text += part
            if not self._skips:
                self._line(self._text.decode("ascii", "replace"), at_ns)
            self._text.clear()
            self._skips = False
        self._text += rest
        if len(self._text) > LONGEST:  # no sighting but a flood
            self._unread += not self._skips
            self._skips = True
            self._text.clear()

    def seen(self, until_ns: int) -> Seen:
        """See `Sighter`."""
        return self._rows.seen(until_ns)

    def evidence(self) -> Evidence:
        """See `Sighter`."""
        findings = []
        for (node, cause), count in self._resets.items():
            why = f" ({cause})" if cause else ""
            times = "" if count == 1 else f" {count} times"
            findings.append(f"{self._called[node]} was reset{times}{why}")
        void = [
            f"{count} of {self._lines} shown lines without {key}, which "
            "observe.lines.tells promises"
            for key, count in self._missing.items()
        ]
        notes = []
        if self._unknown:
            names = ", ".join(list(self._unknown)[:_NAMED])
            notes.append(f"ignored in sighting lines: {names}")
        if self._unread:
            notes.append(f"{self._unread} lines were heard that are no sighting lines")
        early_ns = self._earliest.most_ns
        if early_ns:
            notes.append(
                f"bursts were told up to {format_ns(early_ns, 3)} before their packets "
                "were over, and count from there: the far clock began late"
            )
        figures = {
            "lines": {
                "shown": self._lines,
                "early_ns": early_ns,
                "status": self._status,
            }
        }
        return Evidence(figures, tuple(findings), tuple(void), tuple(notes))

    # --- one line ---------------------------------------------------------------------

    def _line(self, text: str, at_ns: int) -> None:
        """One line; what cannot be read is counted."""
        if not text.strip():
            return
        parsed = parse_line(text)
        if parsed is None:
            self._unread += 1
            return
        word, values = parsed
        if word == "status":
            self._status |= {key: _number(v, v) for key, v in values.items()}
            return
        if word not in _KNOWN:
            self._unknown[word] += 1
            return
        for key in values.keys() - _KNOWN[word]:
            self._unknown[f"{word} {key}"] += 1
        node = self._names.index(values.get("node"))
        if node is None or node not in self._nodes:
            self._unknown[f"node {values.get('node')}"] += 1
            return
        if word == "shown":
            self._shown(node, values)
        elif word == "reset":
            self._resets[node, values.get("cause", "")] += 1
        else:
            self._confessed(word, node, values, at_ns)

    def _confessed(
        self, word: str, node: int, values: dict[str, str], at_ns: int
    ) -> None:
        """A packet or characters that a node says it lost."""
        if word not in self._tells:
            return
        reason = drop_of(values.get("reason", ""))
        count = _number(values.get("characters"), None)
        if word == "dropped" and reason is not None:
            self._rows.dropped(node, reason, at_ns)
        elif word == "lost" and count is not None and 0 <= count <= _MOST_LOST:
            self._rows.lost(node, count, at_ns)
        else:
            self._unread += 1

    def _shown(self, node: int, values: dict[str, str]) -> None:
        """A burst."""
        numbers = {
            key: _number(values[key], None) for key in values if key not in _TEXTS
        }
        octets = _octets(values.get("octets"))
        if None in numbers.values() or ("octets" in values and octets is None):
            self._unread += 1
            return
        self._lines += 1
        tells = self._tells
        self._missing.update(
            key
            for key in ("octets", "clocks", "marginal")
            if key in tells and key not in values
        )
        if "times" in tells and "shown" not in values:
            self._missing["times"] += 1
        self._rows.shown(
            node,
            octets or b"" if "octets" in tells else b"",
            times=self._times(node, octets, numbers) if "times" in tells else None,
            clocks=numbers.get("clocks") if "clocks" in tells else None,
            marginal=numbers.get("marginal") if "marginal" in tells else None,
        )

    def _times(
        self, node: int, octets: bytes | None, numbers: dict[str, int]
    ) -> list[int | None] | None:
        """A burst's times on those of the trial; None where it tells none.

        One below zero is as good as none; for the last of them it says that the chains
        never latched.
        """
        if "shown" not in numbers:
            return None
        told = [numbers.get(key, -1) for key in _TIMES]
        if told[1] < 0:
            told[1] = told[0]
        times = [None if ns < 0 else self._far.trial_ns(ns) for ns in told]
        begins_ns = next((ns for ns in times if ns is not None), None)
        if octets is None or begins_ns is None:
            return times
        late_ns = self._earliest.late_ns(node, octets, begins_ns)
        return [None if ns is None else ns + late_ns for ns in times]


_TEXTS = ("node", "octets")

_MOST_LOST = 1 << 20
"""Characters that one line confesses at most; more is no number to believe."""


def _number(text: str | None, other: Any) -> Any:
    """A whole number, or something else where it is none."""
    digits = (text or "").removeprefix("-")
    known = digits.isascii() and digits.isdecimal() and len(digits) < _DIGITS
    return int(text or "") if known else other


_DIGITS = 19
"""A number of so many digits may not fit 64 bits."""


def _octets(text: str | None) -> bytes | None:
    """Pairs of hexadecimal digits; None where it is something else."""
    try:
        return None if text is None else bytes.fromhex(text)
    except ValueError:
        return None
