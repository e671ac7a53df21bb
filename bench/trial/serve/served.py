"""The served nodes, sans-IO: octets and instants in, sighting lines and counts out.

Octets go on a virtual wire, what the defects let through of it goes to the simulated
nodes, and what these did goes into counts and sighting lines.  Nobody is asked for the
time: who has a clock hands in instants, and lets the nodes live up to each of them.

Time 0 of the nodes is the instant at which the first octet of all arrived.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import FLAW, RUN, Drop, Line, no_octets, no_rows
from bench.base.errors import Fault, ProfileError
from bench.link.lines import format_line, word_of
from bench.node.simulated import Played, SimulatedNode
from bench.node.spec import node_specs
from bench.profile.model import Observe
from bench.trial.serve.hearing import Hearing
from bench.trial.serve.told import Queue, lines_of
from bench.trial.serve.wire import VirtualWire

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.profile.model import Profile
    from bench.trial.serve.defects import Defect

QUEUE_NS = 20_000_000
"""So much of the line is taken in ahead at most, and the far end then has to wait, as
the queue of a serial port would make it."""

LEAST_QUEUE = 64
"""Characters that are taken in ahead in any case, so that a slow line does not idle."""


@dataclass(slots=True)
class NodeCounts:
    """What one node did so far.

    Attributes:
        shown: Bursts that were latched.
        dropped: By the word of the reason.
        lost: Characters that its receiver lost.
    """

    shown: int = 0
    dropped: Counter[str] = field(default_factory=Counter)
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Figures:
    """Where it stands.

    Attributes:
        spent_ns: Since the first octet.
        characters: That have arrived.
        idle_ns: How long the wire has been idle in that time.
        gaps: How often it was idle between characters.
        longest_idle_ns: The longest such time.
        nodes: Counts of each node by its name.
        resets: How often all nodes began anew.
        not_told: Sighting lines that the far end did not take in time.
    """

    spent_ns: int
    characters: int
    idle_ns: int
    gaps: int
    longest_idle_ns: int
    nodes: Mapping[str, NodeCounts]
    resets: int
    not_told: int

    @property
    def idle_share(self) -> float | None:
        """Share of the time in which the wire stood idle; None before any time."""
        return self.idle_ns / self.spent_ns if self.spent_ns else None

    def as_dict(self) -> dict[str, Any]:
        """The same for JSON."""
        nodes = [
            {
                "name": name,
                "shown": one.shown,
                "dropped": dict(one.dropped),
                "lost": one.lost,
            }
            for name, one in self.nodes.items()
        ]
        return {
            "spent_ns": self.spent_ns,
            "characters": self.characters,
            "idle_share": self.idle_share,
            "gaps": self.gaps,
            "longest_idle_ns": self.longest_idle_ns,
            "nodes": nodes,
            "resets": self.resets,
            "lines_not_told": self.not_told,
        }


class Served:
    """The nodes of a profile on a virtual wire."""

    def __init__(
        self,
        profile: Profile,
        defects: Sequence[Defect] = (),
        *,
        seed: int = 0,
        silent: bool = False,
    ) -> None:
        """All nodes at rest, the wire idle.

        Args:
            profile: Its bus and its nodes.
            defects: What is to be wrong with them.
            seed: Of their random delays.
            silent: Whether no sighting lines are written.

        Raises:
            ProfileError: If the profile asks for what the model does not simulate, or
                for what only a line can carry.
        """
        profile = _served(profile)
        pitch = profile.bus.pitch
        self._wire = VirtualWire(pitch)
        self._defects = list(defects)
        self._hearing = Hearing(pitch, defects)
        self._silent = silent
        boards = [(spec.index, spec) for spec in node_specs(profile)]
        for defect in defects:
            boards = defect.boards(boards)
        self._boards = [
            (index, SimulatedNode(spec, seed=seed)) for index, spec in boards
        ]
        self._addresses = [node.address for node in profile.node]
        self._counts = [NodeCounts() for _ in profile.node]
        self._names = [node.name for node in profile.node]
        self._zero_ns: int | None = None
        self._origin_ns: int | None = None
        self._played_ns = self._reset_ns = 0
        self._resets = 0
        self._most = max(LEAST_QUEUE, QUEUE_NS * pitch.den // pitch.num)
        self.queue = Queue()

    # --- given

    @property
    def room(self) -> int:
        """Octets that may be handed in now."""
        return max(0, self._most - self._wire.waiting)

    def opened(self) -> None:
        """Somebody is there from now on; times begin anew with the next octet."""
        self._origin_ns = None

    def closed(self) -> None:
        """Nobody is there any more: what was to be told is not."""
        self._origin_ns = None
        self.queue.clear()

    def arrive(self, octets: bytes, at_ns: int) -> None:
        """Octets have arrived.

        Args:
            octets: At least one.
            at_ns: When, by the clock whose instants `play` takes; none goes back.
        """
        if self._zero_ns is None:
            self._zero_ns = at_ns
        start_ns = self._wire.arrive(octets, at_ns - self._zero_ns)
        if self._origin_ns is None:
            self._origin_ns = start_ns

    # --- lived

    def play(self, now_ns: int) -> None:
        """Let the nodes live up to an instant of the clock."""
        if self._zero_ns is None:
            return
        until_ns = now_ns - self._zero_ns
        while (reset_ns := self._next_reset()) is not None and reset_ns <= until_ns:
            self._carry(reset_ns)
            self._reset(self._played_ns)
            self._reset_ns = reset_ns
        self._carry(until_ns)

    def figures(self, now_ns: int) -> Figures:
        """Where it stands at an instant of the clock."""
        spent_ns = 0 if self._zero_ns is None else now_ns - self._zero_ns
        wire = self._wire
        return Figures(
            spent_ns,
            wire.characters,
            wire.idle_ns(spent_ns) if spent_ns else 0,
            wire.gaps,
            wire.longest_idle_ns,
            {
                name: NodeCounts(one.shown, Counter(one.dropped), one.lost)
                for name, one in zip(self._names, self._counts, strict=True)
            },
            self._resets,
            self.queue.not_told,
        )

    def _carry(self, until_ns: int) -> None:
        line = self._hearing.heard(self._wire.take(until_ns))
        self._played_ns = line.until_ns
        for index, board in self._boards:
            self._note(index, board.play(line))

    def _note(self, index: int, played: Played) -> None:
        """What one board did: altered, counted and told."""
        for defect in self._defects:
            played = defect.did(index, played)
        counts = self._counts[index]
        counts.shown += int((played.shown["shown_ns"] >= 0).sum())
        counts.lost += len(played.lost)
        for reason in played.dropped["reason"].tolist():
            counts.dropped[word_of(Drop(reason))] += 1
        if self._silent or self._origin_ns is None:
            return
        address, origin_ns = self._addresses[index], self._origin_ns
        self._tell(list(lines_of(played, address, origin_ns)))

    def _tell(self, lines: Sequence[bytes]) -> None:
        assert self._zero_ns is not None
        late_ns = max((defect.late_ns for defect in self._defects), default=0)
        self.queue.put(lines, self._zero_ns + self._played_ns + late_ns)

    def _next_reset(self) -> int | None:
        times = (defect.reset_ns(self._reset_ns) for defect in self._defects)
        return min((ns for ns in times if ns is not None), default=None)

    def _reset(self, at_ns: int) -> None:
        """All nodes begin anew."""
        for index, board in self._boards:
            self._note(index, board.reset(at_ns))
        for defect in self._defects:
            defect.begun_anew()
        self._resets += 1
        if not self._silent and self._origin_ns is not None:
            lines = [
                format_line("reset", node=address, cause="fault")
                for address in self._addresses
            ]
            self._tell(lines)


def _served(profile: Profile) -> Profile:
    """A profile, however somebody is to observe its nodes.

    Raises:
        ProfileError: If its packets are not made of octets alone.
    """
    framing = profile.packet.framing
    if framing in ("break", "ninth-bit"):
        fault = Fault(
            "no pty or TCP port carries more than octets",
            framing,
            "a framing without breaks and ninth bits",
            "packet.framing",
        )
        raise ProfileError([fault])
    nodes = tuple(
        node.model_copy(update={"observe": Observe()}) for node in profile.node
    )
    return profile.model_copy(update={"node": nodes})


def warm(profile: Profile, *, resets: bool = False) -> None:
    """Let everything be compiled that the nodes of a profile are going to need."""
    spec = node_specs(_served(profile))[0]
    board = SimulatedNode(spec)
    run = np.zeros(1, RUN)
    octets = np.full(4, 0xFF, np.uint8)
    board.play(Line(octets, run, no_rows(FLAW), 0, spec.pitch.at(4)))
    if resets:
        board.reset(spec.pitch.at(4))
    silence = Line(no_octets(), no_rows(RUN), no_rows(FLAW), 4, spec.pitch.at(8))
    board.play(silence)
