"""When packets come: how close two of one node may follow each other.

The schedule places packets on targets and lets each be a little late (its module says
how); here that becomes, for every node, the least time between the last bits of one of
its packets and of the j-th before it.  Nothing else is asked of the traffic: whoever
sends packets closer than this is outside the budget.

Two bounds are taken together.  Targets: every packet's last bit lies in a window of its
frame, and windows are a frame apart.  Order: between two packets, all that the frame
sends in between takes at least its own time on the line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.traffic.load import worst_costs
from bench.wire.format import Delimiter, Stuffing

if TYPE_CHECKING:
    from bench.profile.model import Profile
    from bench.traffic.load import Costs

_FRAMES = 10
"""Frames that are looked at: more packets than buffers usually hold, one broadcast at
least among them."""


@dataclass(frozen=True, slots=True)
class Pace:
    """The packets of one node.

    Attributes:
        apart_ns: Least time between the last bit of a packet and that of the one
            before, of the second before, and so on.
        mean_ns: Mean time between two.
        worst_ns: The longest that one of them takes on the line.
        characters: Fewest characters of one of them.
        longest_ns: Most time from one to the next; None where nothing bounds it.
        sync_ns: Least time from the last bit of one to that of the sync after it; None
            where no sync comes.
        sync_most_ns: Most time to it.
        syncs_ns: Least time between two syncs.
        quiet_ns: Least time for which the line idles after one of them.
    """

    apart_ns: tuple[Fraction, ...]
    mean_ns: Fraction
    worst_ns: Fraction
    characters: int
    longest_ns: Fraction | None = None
    sync_ns: Fraction | None = None
    sync_most_ns: Fraction | None = None
    syncs_ns: Fraction | None = None
    quiet_ns: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True)
class Paces:
    """The packets of all nodes.

    Attributes:
        nodes: In the order of the profile.
        spread_ns: Between the last bits of the first and the last packet of a frame, at
            most; None where the traffic keeps no frames.
    """

    nodes: tuple[Pace, ...]
    spread_ns: Fraction | None


class _Frame:
    """Where in a frame the last bits of its packets may lie, from its beginning on."""

    def __init__(self, profile: Profile) -> None:
        self.costs = costs = worst_costs(profile)
        traffic = profile.traffic
        self.traffic = traffic
        self.period = Fraction(NS_PER_S) / Fraction(str(traffic.frame_rate_hz))
        self.worst = [costs.packet_ns(size, worst=True) for size in costs.sizes]
        self.best = [least_ns(costs, size) for size in costs.sizes]
        self.cast_worst = costs.packet_ns(costs.broadcast, worst=True)
        self.cast_best = least_ns(costs, costs.broadcast)
        self.kept = traffic.pacing != "flood"
        self.early = self._early(profile)
        self.low: list[Fraction] = []
        self.high: list[Fraction] = []
        self._place()

    def _early(self, profile: Profile) -> Fraction:
        """How far before its target a packet may start."""
        costs = self.costs
        early = costs.pitch_ns
        if self.traffic.pacing == "packed" and not profile.packet.pad:
            # What not even the shortest foreign packet fits is not waited for.
            early += costs.packet_ns(costs.format.layout.least, worst=True)
        return early

    def _place(self) -> None:
        """Find the windows of the packets' starts, then of their ends."""
        count, period = len(self.worst), self.period
        even = self.traffic.spread == "even"
        slot = period / count if even else Fraction(0)
        lows = [index * slot - self.early for index in range(count)]
        if not even:
            lows = [sum(self.best[:index], -self.early) for index in range(count)]
        after = self.cast_worst if self.traffic.broadcast_every else Fraction(0)
        highs = [Fraction(0)] * count
        ended = -period  # of the packet before, that one's frame counted from ours
        for turn in range(2 * count):  # twice: a frame may push the next one
            index = turn % count
            late = self._dither(index, slot) + self.costs.pitch_ns
            highs[index] = max(index * slot + late, ended)
            ended = highs[index] + self.worst[index]
            if index == count - 1:
                ended += after - period
        if ended > highs[0]:
            self.kept = False  # a frame that is too long pushes the next ever further
        self.low = [low + best for low, best in zip(lows, self.best, strict=True)]
        self.high = [at + worst for at, worst in zip(highs, self.worst, strict=True)]

    def _dither(self, index: int, slot: Fraction) -> Fraction:
        """How late a packet may be drawn, at most."""
        traffic, costs = self.traffic, self.costs
        share = Fraction(str(traffic.dither))
        if traffic.pacing == "timed":
            foreign = Fraction(str(traffic.foreign.share))
            free = self.period * (1 - foreign) - costs.frame_ns(worst=True)
            return share * max(Fraction(0), free) / len(costs.sizes)
        if traffic.spread == "even":
            gap = slot - self.best[index - 1]
        elif index:
            return Fraction(0)
        else:
            gap = self.period - sum(self.best, Fraction(0))
        return share * max(Fraction(0), gap + 2 * self.early)


def least_ns(costs: Costs, payload_octets: int) -> Fraction:
    """The least time that a packet takes on the line, whatever it holds."""
    return least_characters(costs, payload_octets) * costs.pitch_ns + costs.around_ns


def least_characters(costs: Costs, payload_octets: int) -> int:
    """Fewest characters of a packet, whatever it holds."""
    form = costs.format
    octets = form.layout.head + payload_octets + form.layout.tail
    stuffed = int(form.unstuffing.kind == Stuffing.COBS)
    return octets + stuffed + form.delimiters


def paces_of(profile: Profile) -> Paces:
    """How close packets may follow each other."""
    frame = _Frame(profile)
    nodes = tuple(_pace(frame, index) for index in range(len(profile.node)))
    spread = None
    if frame.kept:
        spread = max(frame.high) - min(frame.low) if len(frame.worst) > 1 else 0
    return Paces(nodes, None if spread is None else Fraction(spread))


def _pace(frame: _Frame, node: int) -> Pace:
    """The packets of one node."""
    place = 0 if frame.costs.shared else node
    shown = [event for event in _events(frame, place) if event.shown]
    apart = tuple(
        min(
            _apart(frame, shown[at - back], shown[at]) for at in range(back, len(shown))
        )
        for back in range(1, _FRAMES - 1)
    )
    costs, every = frame.costs, frame.traffic.broadcast_every
    a_frame = Fraction(1) + (Fraction(1, every) if every and not costs.sync else 0)
    longest = frame.worst[place]
    if every and not costs.sync:
        longest = max(longest, frame.cast_worst)
    pace = Pace(
        apart,
        (frame.period if frame.kept else sum(frame.best, Fraction(0))) / a_frame,
        longest - _silence(costs),
        least_characters(costs, costs.sizes[place]),
        max(two.high - one.low for one, two in pairwise(shown)) if frame.kept else None,
        quiet_ns=_quiet(frame, place),
    )
    if not (costs.sync and every):
        return pace
    syncs = [event for event in _events(frame, place) if not event.shown]
    after = sum(frame.best[place + 1 :], Fraction(0)) + frame.cast_best
    between = min(_apart(frame, one, two) for one, two in pairwise(syncs))
    most = None
    if frame.kept:
        most = every * frame.period - frame.low[place]
        most += frame.high[-1] + frame.cast_worst - frame.period
    return replace(pace, sync_ns=after, sync_most_ns=most, syncs_ns=between)


def _quiet(frame: _Frame, place: int) -> Fraction:
    """How long the line idles after an own packet at least; 0 where that is not known.

    It is where each packet is a run of its own and none but a frame's own are sent.
    """
    traffic = frame.traffic
    alone = not traffic.foreign.share and not traffic.broadcast_every
    if traffic.pacing != "timed" or not alone or not frame.kept:
        return Fraction(0)
    after, again = (place + 1, Fraction(0))
    if after == len(frame.worst):
        after, again = 0, frame.period
    begins = again + frame.low[after] - frame.best[after]
    return max(Fraction(0), begins - frame.high[place])


def _silence(costs: Costs) -> int:
    """What follows a packet's last bit and is counted with it."""
    after = costs.format.delimiting.kind == Delimiter.SILENCE
    return costs.around_ns if after else 0


@dataclass(frozen=True, slots=True)
class _Event:
    """A packet for a node: the window of its last bit, and all that was sent by then.

    Attributes:
        low: Of the window.
        high: Of the window.
        sent: Least time on the line of everything up to its last bit.
        shown: Whether it is shown, and no sync.
    """

    low: Fraction
    high: Fraction
    sent: Fraction
    shown: bool


def _events(frame: _Frame, place: int) -> list[_Event]:
    """The packets that one node takes, over some frames."""
    every = frame.traffic.broadcast_every
    due = {_FRAMES // 2} if every > _FRAMES // 2 else set()
    if 0 < every <= _FRAMES // 2:
        due = set(range(every - 1, _FRAMES, every))
    events, sent = [], Fraction(0)
    whole = sum(frame.best, Fraction(0))
    for number in range(_FRAMES):
        begin = number * frame.period
        mine = sent + sum(frame.best[: place + 1], Fraction(0))
        events.append(
            _Event(begin + frame.low[place], begin + frame.high[place], mine, True)
        )
        sent += whole
        if number in due:
            low = begin + frame.low[-1] + frame.cast_best
            high = begin + frame.high[-1] + frame.cast_worst
            sent += frame.cast_best
            events.append(_Event(low, high, sent, not frame.costs.sync))
    return events


def _apart(frame: _Frame, one: _Event, two: _Event) -> Fraction:
    """Least time between two packets' last bits."""
    by_order = two.sent - one.sent
    return max(by_order, two.low - one.high) if frame.kept else by_order
