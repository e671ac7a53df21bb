"""Octets and instants in, what talks on a bus out.  Sans-IO.

Packets are found by the profile's format, with the policy that goes back to just after
a false start, so that one costs nothing but itself.  Gaps between reads are the host's
before they are the line's: a format that does not need silences is never told of any.
One that does gets those that the placing estimates, and the figures say what the reads
can resolve.

* Who joins in the middle hears half a packet first, and half a one at the end: what is
  before the first sound packet and after the last is counted apart, as the edges.
* Every rejected candidate is counted by its reason.  One spoilt packet may hold several
  false starts, so the *spoilt stretches* are counted too: places between two sound
  packets where anything was rejected.
* Octets in no sound packet that are not the pad are garbage.

Nothing depends on how reads that returned at one instant were cut; and where the format
does not need silences, packets do not depend on instants at all.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from typing import TYPE_CHECKING, Any

from bench.base.columns import Flaw
from bench.base.grid import NS_PER_S
from bench.trial.listen.looks import fields_of
from bench.trial.listen.placing import Placing
from bench.trial.listen.spread import Spread
from bench.trial.listen.talkers import KINDS, Names, Talker, by_name
from bench.wire.decoder import Decoder
from bench.wire.format import Delimiter, format_of
from bench.wire.states import Packet, Rejected, Resync

if TYPE_CHECKING:
    from bench.base.columns import Drop
    from bench.link.transport import Heard
    from bench.profile import Profile
    from bench.trial.listen.placing import Heap
    from bench.wire.states import Event

MOST_TALKERS = 512
"""Addresses that are told apart; noise may hold any of four thousand million."""

MOST_ANOMALIES = 1000
"""Rejected candidates that are told one by one; of the rest only how many."""

_SAMPLE = 16
"""Octets of the latest garbage that are kept."""


class Listening:
    """What is heard on a bus.

    Args:
        profile: The bus and the packets on it.
    """

    def __init__(self, profile: Profile) -> None:
        bus, packet = profile.bus, profile.packet
        self._packet = packet
        self._format = format_of(packet)
        kind = self._format.delimiting.kind
        self._silences = kind == Delimiter.SILENCE or self._format.open_ended
        self._pitch = bus.pitch
        self._character_ns = float(bus.character.step)
        self._placing = Placing(bus.pitch, break_time_ns(profile))
        self._decoder = Decoder(self._format, Resync.RESCAN)
        self._names = Names(profile, self._format.layout)
        number = self._format.layout.sequence
        self._modulus = None if number is None else number.most + 1
        self._runs: list[tuple[int, int, int]] = []
        self._places = self._reads = 0
        self._octets = bytearray()  # from the first place whose fate is open
        self._told = 0  # that place
        self._pad = packet.pad[0] if packet.pad else None
        self._delimiter = self._format.delimiting.octets
        if kind != Delimiter.OCTET:
            self._delimiter = b""
        self._talkers: dict[tuple[str, int | None], Talker] = {}
        self._strangers = Talker(None, self._names.of(None, sound=False))
        self._flaws: Counter[int] = Counter()
        self._edges: Counter[Drop] = Counter()
        self._spoilt = self._garbage = self._garbage_places = self._pads = 0
        self._edge_octets = 0
        self._joined: int | None = None
        self._stretch = self._dirty = self._ended = False
        self._sample = b""
        self._idle, self._held, self._sizes, self._every = (Spread() for _ in range(4))
        self._second = 0
        self._first_ns: int | None = None
        self._last_ns = 0
        self._anomalies: list[dict[str, Any]] = []
        self._untold = 0
        self._counts: dict[str, int] = {}

    # --- given

    def take(self, heard: Heard, at_ns: int) -> None:
        """Octets were heard.

        Args:
            heard: As one read returned them.
            at_ns: When it returned, in ns of the listening; never goes back.
        """
        self._reads += 1
        self._heap(self._placing.take(heard, at_ns))

    def until(self, ns: int) -> None:
        """Nothing more was heard before an instant."""
        self._heap(self._placing.until(ns))
        self._tick(ns)

    def finish(self) -> None:
        """Nothing more will be heard."""
        self._heap(self._placing.finish())
        self._decoder.finish()
        self._ended = True
        self._look()
        self._spoilt += self._stretch
        self._pass(self._places, edge=True)

    def _heap(self, heap: Heap | None) -> None:
        """Octets that were placed."""
        if heap is None:
            return
        self._tick(heap.at_ns)
        self._measure(heap)
        if self._silences and heap.idle_ns:
            self._decoder.gap(heap.idle_ns)
        self._octets += heap.octets
        self._runs += [(self._places + at, ns, rem) for at, ns, rem in heap.runs]
        at = 0
        for place, kind in heap.flaws:
            self._decoder.octets(heap.octets[at:place])
            self._decoder.flaw(heap.octets[place], kind)
            self._flaws[kind] += 1
            at = place + 1
        self._decoder.octets(heap.octets[at:])
        self._places += len(heap.octets)
        self._look()
        self._pass(self._decoder.undecided)
        self._forget()

    def _measure(self, heap: Heap) -> None:
        """What a heap says of the host's reads."""
        count = len(heap.octets)
        if self._first_ns is None:
            self._first_ns = heap.runs[0][1]
        self._last_ns = heap.at_ns
        self._sizes.add(count)
        self._held.add(self._pitch.at(count - 1))
        self._every.add(max(0, heap.at_ns - heap.since_ns))
        if heap.idle_ns:
            self._idle.add(heap.idle_ns)

    def _tick(self, ns: int) -> None:
        """Seconds that have passed."""
        if (seconds := ns // NS_PER_S - self._second) > 0:
            self._second += seconds
            for talker in self._talkers.values():
                talker.tick(seconds)

    # --- made of it

    def _look(self) -> None:
        for event in self._decoder.events():
            self._event(event)

    def _event(self, event: Event) -> None:
        if isinstance(event, Packet):
            self._pass(event.at)
            self._skip(event.end)
            if self._joined is None:
                self._joined = event.at
            self._spoilt += self._stretch
            self._stretch = self._dirty = False
            talker = self._talker(event.address, sound=True)
            talker.take(event, self._end_ns(event.end), self._modulus)
        elif isinstance(event, Rejected):
            self._reject(event)

    def _reject(self, event: Rejected) -> None:
        """What looked like a packet."""
        cut_off = self._ended and event.end >= self._places
        if self._joined is None or cut_off:
            self._edges[event.reason] += 1
            return
        self._stretch = True
        self._talker(event.address, sound=False).rejected[event.reason] += 1
        if len(self._anomalies) + self._untold >= MOST_ANOMALIES:
            return
        self._anomalies.append(
            {
                "kind": "rejected",
                "ns": self._end_ns(event.end),
                "first": event.at,
                "end": event.end,
                "reason": event.reason.name.lower().replace("_", " "),
                "address": event.address,
            }
        )

    def _talker(self, address: int | None, *, sound: bool) -> Talker:
        """Who is meant; of too many addresses the last ones are one."""
        whom = self._names.of(address, sound=sound)
        key = address if whom.kind not in ("every", "own") else whom.node
        known = (whom.kind, key)
        if known not in self._talkers:
            if len(self._talkers) >= MOST_TALKERS:
                return self._strangers
            self._talkers[known] = Talker(address, whom)
        return self._talkers[known]

    def _end_ns(self, end: int) -> int:
        """When the character before a place had come."""
        place = max(0, end - 1)
        at = max(0, bisect_right(self._runs, place, key=lambda run: run[0]) - 1)
        first, ns, rem = self._runs[at]
        return self._pitch.at(place - first + 1, ns, rem)

    def _pass(self, place: int, *, edge: bool = False) -> None:
        """Octets before a place are in no sound packet."""
        count = place - self._told
        if count <= 0:
            return
        between = bytes(self._octets[:count])
        self._skip(place)
        pads = 0 if self._pad is None else between.count(self._pad)
        rest = len(between) - pads
        if self._delimiter and self._delimiter[0] != self._pad:
            rest -= between.count(self._delimiter)
        self._pads += pads
        if rest > 0 and (edge or self._joined is None):
            self._edge_octets += rest
        elif rest > 0:
            if not self._dirty:
                self._garbage_places += 1
                self._dirty, self._sample = True, b""
            self._garbage += rest
            self._keep_sample(between)

    def _keep_sample(self, octets: bytes) -> None:
        """The first octets of the latest garbage, from the first that is no pad on."""
        if not self._sample and self._pad is not None:
            octets = octets.lstrip(bytes([self._pad]))
        self._sample = (self._sample + octets)[:_SAMPLE]

    def _skip(self, place: int) -> None:
        """Octets before a place are accounted for."""
        if place > self._told:
            del self._octets[: place - self._told]
            self._told = place

    def _forget(self) -> None:
        """Places whose time nobody will ask for."""
        at = bisect_right(self._runs, self._told - 1, key=lambda run: run[0]) - 1
        if at > 0:
            del self._runs[:at]

    # --- told

    def anomalies(self) -> list[dict[str, Any]]:
        """Rejected candidates since the last call, so many at most in all."""
        told, self._anomalies = self._anomalies, []
        self._untold += len(told)
        return told

    def interval(self) -> dict[str, int]:
        """What was counted since the last call."""
        counts = {
            "characters": self._places,
            "packets": self.packets,
            "rejected": sum(self._rejected().values()),
            "spoilt": self._spoilt,
            "garbage_octets": self._garbage,
            "missing": sum(one.missing for one in self._talkers.values()),
        }
        past, self._counts = self._counts, counts
        return {word: count - past.get(word, 0) for word, count in counts.items()}

    @property
    def packets(self) -> int:
        """Sound packets so far."""
        return sum(talker.packets for talker in self._talkers.values())

    def _rejected(self) -> Counter[Drop]:
        total: Counter[Drop] = Counter(self._strangers.rejected)
        for talker in self._talkers.values():
            total += talker.rejected
        return total

    def figures(self, elapsed_ns: int, *, tells_flaws: bool = False) -> dict[str, Any]:
        """Everything as strict JSON.

        Rates and loads are over the time from the first octet to the last.

        Args:
            elapsed_ns: How long has been listened.
            tells_flaws: Whether line errors are told at all by what was listened with.
        """
        first_ns = self._last_ns if self._first_ns is None else self._first_ns
        busy_ns = self._last_ns - first_ns
        share = 0.0 if not busy_ns else NS_PER_S / busy_ns
        talkers = sorted(
            self._talkers.values(),
            key=lambda one: (KINDS.index(one.whom.kind), one.address or 0),
        )
        sequenced = [one for one in talkers if self._modulus and one.packets]
        return {
            "elapsed_ns": elapsed_ns,
            "busy_ns": busy_ns,
            "quiet_ns": max(0, elapsed_ns - self._last_ns),
            "characters": self._places,
            "characters_per_s": self._places * share,
            "load": self._places * self._character_ns * share / NS_PER_S,
            "packets": self.packets + self._strangers.packets,
            "packets_per_s": (self.packets + self._strangers.packets) * share,
            "rejected": by_name(self._rejected()),
            "spoilt": self._spoilt,
            "edges": {"octets": self._edge_octets, "rejected": by_name(self._edges)},
            "missing": sum(one.missing for one in sequenced) if sequenced else None,
            "pads": self._pads,
            "garbage": {
                "octets": self._garbage,
                "places": self._garbage_places,
                "latest": self._sample.hex().upper(),
            },
            "flaws": self._flaws_told() if tells_flaws else None,
            "addresses": [
                one.as_dict(busy_ns, self._character_ns) | {"fields": self._fields(one)}
                for one in talkers
            ],
            "further_addresses": self._strangers.packets,
            "reads": self._reads_told(),
        }

    def _fields(self, talker: Talker) -> list[dict[str, Any]] | None:
        """The fields of the last packet for an address; None where none was sound."""
        return fields_of(self._packet, talker.last_raw) if talker.packets else None

    def _flaws_told(self) -> dict[str, int]:
        kinds = {"framing": Flaw.FRAMING, "parity": Flaw.PARITY, "breaks": Flaw.BREAK}
        return {word: self._flaws[kind] for word, kind in kinds.items()}

    def _reads_told(self) -> dict[str, Any]:
        """What the host's reads can resolve."""
        silence_ns = self._format.delimiting.silence_ns
        held_ns = self._held.quantile(99)
        unseen = silence_ns is not None and held_ns is not None
        return {
            "n": self._reads,
            "octets": self._sizes.as_dict(),
            "every_ns": self._every.as_dict(),
            "held_ns": self._held.as_dict(),
            "gaps_ns": self._idle.as_dict(),
            "behind_ns": self._placing.behind_ns,
            "silence_ns": silence_ns if self._silences else None,
            "silence_seen": (
                held_ns < silence_ns  # type: ignore[operator]  # both are known
                if unseen and self._silences
                else None
            ),
        }


def break_time_ns(profile: Profile) -> int:
    """What a break takes on a bus, the mark after it included; 0 where none is sent."""
    packet = profile.packet
    return (packet.break_ns or 0) + (packet.mark_after_break_ns or 0)
