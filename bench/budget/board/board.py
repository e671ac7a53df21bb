"""One kind of node on its bus, in exact numbers: what every bound starts from.

The meaning of all of it stands in `bench/node/MODEL.md`; where a bound is more than
that page needs, the module that makes it says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.budget.bus.pace import least_characters, least_ns
from bench.budget.response import Task
from bench.node.spec import NO_LIMIT, spec_of
from bench.traffic.load import worst_costs
from bench.wire.format import Delimiter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.budget.bus.pace import Pace
    from bench.node.spec import NodeSpec
    from bench.profile.model import Node, Profile
    from bench.traffic.load import Costs

GRID_NS = 1
"""Instants are rounded down where they are read, so two may be so much closer."""

_PAUSES = (Delimiter.BREAK, Delimiter.SILENCE)
"""Framings whose packets leave the line idle, however they are sent."""


@dataclass(frozen=True, slots=True)
class Board:
    """One kind of node.

    Attributes:
        node: The first of that kind, as the profile has it.
        spec: The same in numbers.
        pace: When its packets come; of nodes that are alike, the closest.
        costs: What packets cost on the line, at worst.
        pitch: From one character to the next, in ns.
        unbroken: Whether the line never idles, or too shortly for the idle timeout.
        least_packet_ns: The shortest packet on the line, whoever it is for.
        group: Characters in the FIFO, or in a part of the ring, that assert the receive
            interrupt.
        taken: Characters that a receive interrupt takes at least, on a busy line.
        eager: Whether the idle timeout fires before the next character can come, so
            that each has an interrupt of its own.
        carried: The share of time, in the long run, for which the line has characters.
    """

    node: Node
    spec: NodeSpec
    pace: Pace
    costs: Costs
    pitch: Fraction
    unbroken: bool
    least_packet_ns: Fraction
    group: int
    taken: int
    eager: bool = False
    carried: Fraction = Fraction(1)

    # --- interrupts beside the receiver's

    @property
    def bit(self) -> Task | None:
        """The interrupt of an output bit, while a burst runs."""
        if self.spec.output.method != "timer":
            return None
        cost = self.spec.cost
        cost_ns = cost.entry_ns + cost.bit_ns + cost.exit_ns
        return Task("bit", cost_ns, self.period, GRID_NS)

    @property
    def complete(self) -> Task | None:
        """The interrupt that stops a clock, or begins the next lane."""
        if self.spec.output.stop != "interrupt":
            return None
        cost, output = self.spec.cost, self.spec.output
        stopped_ns = cost.entry_ns + output.stop_latency_ns
        # The next lane, or burst, begins when the handler of the one before says so.
        apart = output.clocks * self.period + stopped_ns
        return Task("complete", stopped_ns + cost.exit_ns, apart, GRID_NS)

    @property
    def period(self) -> Fraction:
        """Of the clock of the lanes, in ns."""
        return Fraction(NS_PER_S, self.spec.output.clock_hz)

    def others(self) -> list[Task]:
        """Every interrupt but the receiver's."""
        return [task for task in (self.bit, self.complete) if task is not None]

    def first_of(self, name: str) -> tuple[list[str], list[str]]:
        """The interrupts that go before one, and those that it goes before."""
        order: list[str] = list(self.spec.cost.priority)
        at = order.index(name)
        return order[:at], order[at + 1 :]

    # --- what follows from them

    @property
    def polled(self) -> bool:
        """Whether the receiver is looked at in a loop."""
        return self.spec.receive.method == "poll"

    @property
    def around_ns(self) -> int:
        """What an interrupt costs beside what it does."""
        return self.spec.cost.entry_ns + self.spec.cost.exit_ns

    @property
    def backlog_ns(self) -> int:
        """What the characters that assert an interrupt cost beside the last of them.

        The last, and one handler, are those that `arrivals` begins with.
        """
        if self.eager:
            return 0
        handlers = -(-self.group // self.taken) - 1
        characters = (self.group - 1) * self.spec.cost.per_character_ns
        return characters + handlers * self.around_ns

    @property
    def early_ns(self) -> int:
        """How long before its last bit ends a character is complete."""
        return self.spec.uart.character_ns - self.spec.uart.ready_ns

    @property
    def _timeouts_ns(self) -> Fraction:
        """Least time from one idle timeout to the next."""
        uart = self.spec.uart
        timeout = Fraction(uart.idle_timeout_ns or 0)
        broken = self.costs.format.delimiting.kind == Delimiter.BREAK
        within = uart.restart_on_read or broken or self.pitch + GRID_NS >= timeout
        if within:  # it may fire within a packet
            return min(self.least_packet_ns, timeout + self.pitch)
        return max(self.least_packet_ns, timeout)

    def arrivals(self) -> list[Task]:
        """What an unbroken line costs: its characters, and the interrupts they need.

        Interrupts come on top where the line idles for the timeout, and where one that
        fires on reaching the trigger fires again while the FIFO is emptied.
        """
        cost, uart = self.spec.cost, self.spec.uart
        jitter = GRID_NS + self.spec.receive.arbitration_ns
        tasks = [
            Task("characters", cost.per_character_ns, self.pitch, jitter),
            Task("handlers", self.around_ns, self.taken * self.pitch, jitter),
        ]
        ring = self.spec.receive.method == "dma"
        if uart.fires == "transition" and not ring:
            again = Task("again", self.around_ns, self.taken * self.pitch, jitter)
            tasks.append(again)
        if uart.idle_timeout_ns is not None and not self.unbroken:
            tasks.append(Task("timeouts", self.around_ns, self._timeouts_ns, jitter))
        if cost.per_packet_ns:
            apart = self.pace.apart_ns[0]
            tasks.append(Task("packets", cost.per_packet_ns, apart, jitter))
        return tasks


def boards_of(
    profile: Profile, groups: Sequence[Sequence[Node]], paces: Sequence[Pace]
) -> list[Board]:
    """Every kind of node.

    Args:
        profile: The profile.
        groups: Its nodes, by kind.
        paces: Of its nodes, in its order.
    """
    costs = worst_costs(profile)
    at = {node.name: index for index, node in enumerate(profile.node)}
    boards = []
    for group in groups:
        indexes = [at[node.name] for node in group]
        pace = _closest([paces[index] for index in indexes])
        boards.append(_board(profile, indexes[0], pace, costs))
    return boards


def _closest(paces: Sequence[Pace]) -> Pace:
    """The pace that no node of a kind exceeds."""
    apart = tuple(map(min, zip(*(pace.apart_ns for pace in paces), strict=True)))
    syncs = [pace.sync_ns for pace in paces if pace.sync_ns is not None]
    longest = [pace.longest_ns for pace in paces if pace.longest_ns is not None]
    later = [pace.sync_most_ns for pace in paces if pace.sync_most_ns is not None]
    return replace(
        paces[0],
        apart_ns=apart,
        worst_ns=max(pace.worst_ns for pace in paces),
        characters=min(pace.characters for pace in paces),
        longest_ns=max(longest) if len(longest) == len(paces) else None,
        sync_ns=min(syncs) if syncs else None,
        sync_most_ns=max(later) if later else None,
        quiet_ns=min(pace.quiet_ns for pace in paces),
    )


def _board(profile: Profile, index: int, pace: Pace, costs: Costs) -> Board:
    """One kind of node."""
    spec = spec_of(profile, index)
    kind = costs.format.delimiting.kind
    timeout_ns = spec.uart.idle_timeout_ns
    calm = timeout_ns is None or costs.pitch_ns + GRID_NS < timeout_ns
    run_on = profile.traffic.pacing != "timed" and kind not in _PAUSES
    group, taken = _group(spec)
    if not calm:
        taken = 1
    whole = spec.cost.body_limit >= group and not spec.uart.restart_on_read
    eager = not calm and whole and spec.receive.method == "interrupt"
    sizes = [costs.broadcast, *costs.sizes]
    filled = profile.traffic.pacing == "packed" and not profile.packet.pad
    if profile.traffic.foreign.share or filled:
        sizes.append(costs.format.layout.least)
    least = min(least_characters(costs, size) for size in sizes) * costs.pitch_ns
    return Board(
        profile.node[index],
        spec,
        pace,
        costs,
        costs.pitch_ns,
        run_on and calm,
        min(least, *(least_ns(costs, size) for size in sizes)),
        group,
        taken,
        eager,
        _carried(profile, costs),
    )


def _carried(profile: Profile, costs: Costs) -> Fraction:
    """The share of time for which the line has characters; all if it is filled."""
    if profile.traffic.pacing != "timed":
        return Fraction(1)
    rate = Fraction(str(profile.traffic.frame_rate_hz))
    own = costs.frame_ns(worst=True) * rate / NS_PER_S
    return min(Fraction(1), own + Fraction(str(profile.traffic.foreign.share)))


def _group(spec: NodeSpec) -> tuple[int, int]:
    """Characters that assert the receive interrupt, and that it takes at least."""
    if spec.receive.method != "dma":
        return spec.uart.trigger, min(spec.uart.trigger, spec.cost.body_limit)
    ring = spec.receive.ring
    half = ring // 2 if spec.receive.half else 0
    return max(half, ring - half), min(half or ring, ring - half, spec.cost.body_limit)


def per_interrupt(spec: NodeSpec) -> tuple[Fraction, int]:
    """What a character costs where they come without a pause, and how many at a time.

    An interrupt takes those of its trigger level, or what came into a ring since the
    one before; a loop that polls takes one, and pays neither entry nor exit.
    """
    cost = spec.cost
    if spec.receive.method == "poll":
        return Fraction(cost.per_character_ns), 1
    group = spec.uart.trigger
    if spec.receive.method == "dma":
        group = spec.receive.ring // (2 if spec.receive.half else 1)
    taken = min(group, cost.body_limit)
    around_ns = cost.entry_ns + cost.exit_ns
    return Fraction(around_ns, taken) + cost.per_character_ns, taken


__all__ = ["GRID_NS", "NO_LIMIT", "Board", "boards_of", "per_interrupt"]
