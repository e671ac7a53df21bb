"""Sightings by a serial port that reads a UART lane: octets and instants in, rows out.

A burst is as many octets as the lane has in a payload; a lane that rests for a stated
time is between two bursts, so one with fewer octets ends there, and whatever is lost
costs no burst after it.  The host reads octets late and in heaps, so bursts have data
and order, and no times.

Where a node has more lanes than are read, the octets of the others cannot be seen.  A
row holds those that were sent, in the packet that the lane's octets fit, so that only
the lanes that are read can be found wrong; the evidence says which those are.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from bench.base.columns import To
from bench.link.evidence import Evidence
from bench.link.observes import Observes
from bench.link.sight.rows import RowsInMaking
from bench.profile.model import LaneObserve

if TYPE_CHECKING:
    from bench.base.columns import Line, Seen, Sent
    from bench.link.transport import Heard
    from bench.profile.model import Profile

_WAITING = 64
"""Packets of one node that may be shown yet at most."""


class LaneSighter:
    """Reads lanes, one of each node at most.

    What is heard on the bus itself is none of its business: the live link hands what
    it reads on a lane's port to `heard_on_lane`.
    """

    def __init__(self, profile: Profile, nodes: list[int]) -> None:
        """Nothing read.

        Args:
            profile: The profile, which says of each of the nodes what is read of it.
            nodes: Indexes of the nodes that are seen so.
        """
        self._profile = profile
        self._rows = RowsInMaking()
        self._all = len(nodes) == len(profile.node)
        self._lanes = {index: _Lane(profile, index) for index in nodes}

    @property
    def observes(self) -> Observes:
        """See `Sighter`."""
        return Observes(
            clocks=False,
            marginal=False,
            times=False,
            dropped=False,
            lost=False,
            nodes=None if self._all else tuple(self._lanes),
        )

    @property
    def ports(self) -> dict[int, tuple[str, int]]:
        """The name and the speed of the port that reads each node's lane."""
        found = {}
        for index in self._lanes:
            node = self._profile.node[index]
            observe = node.observe.lane or LaneObserve()
            baud = observe.baud or node.output.clock_hz
            found[index] = observe.port or "", int(baud)
        return found

    def sent(self, line: Line, sent: Sent) -> None:  # noqa: ARG002
        """See `Sighter`."""
        for row in sent.rows:
            at, to = int(row["payload_at"]), int(row["to"])
            if at < 0:
                continue
            payload = sent.payload[at : at + int(row["payload_octets"])].tobytes()
            for index, lane in self._lanes.items():
                if to in (index, To.EVERY_NODE):
                    lane.sent(payload)

    def heard(self, heard: Heard, at_ns: int) -> None:
        """See `Sighter`: the bus tells nothing of lanes."""

    def heard_on_lane(self, node: int, octets: bytes, at_ns: int) -> None:
        """Octets were read on the lane of a node, by an instant of the trial."""
        self._lanes[node].heard(octets, at_ns)

    def seen(self, until_ns: int) -> Seen:
        """See `Sighter`."""
        for index, lane in self._lanes.items():
            for data in lane.bursts(until_ns):
                self._rows.shown(index, data)
        return self._rows.seen(until_ns)

    def evidence(self) -> Evidence:
        """See `Sighter`."""
        notes, figures = [], {}
        for index, lane in self._lanes.items():
            name = self._profile.node[index].name
            figures[name] = lane.figures()
            if lane.unseen:
                notes.append(
                    f"{name}: only lane {lane.lane} is read, the other {lane.unseen} "
                    "are not observable"
                )
            if lane.short:
                notes.append(
                    f"{name}: {lane.short} of {lane.count} bursts had too few octets"
                )
        return Evidence({"lanes": figures}, (), (), tuple(notes))


class _Lane:
    """The lane of one node that is read.

    Attributes:
        lane: Which one.
        unseen: How many others there are.
        count: Bursts so far.
        short: Those that had too few octets.
    """

    def __init__(self, profile: Profile, index: int) -> None:
        node = profile.node[index]
        observe = node.observe.lane or LaneObserve()
        self.lane, self.unseen = observe.lane, node.output.lanes - 1
        self.count = self.short = 0
        self._size = node.output.lane_octets
        self._whole = node.output.payload_octets
        self._at = observe.lane * self._size
        self._window = node.address - 1 if profile.packet.shared else 0
        self._idle_ns = observe.idle_ns
        self._heard: deque[tuple[bytes, int]] = deque()
        self._burst = bytearray()
        self._last_ns = 0
        self._waiting: deque[bytes] = deque(maxlen=_WAITING)

    def sent(self, payload: bytes) -> None:
        own = payload[self._window : self._window + self._whole]
        if len(own) == self._whole:
            self._waiting.append(own)

    def heard(self, octets: bytes, at_ns: int) -> None:
        self._heard.append((octets, at_ns))

    def bursts(self, until_ns: int) -> list[bytes]:
        """What was shown by what was read before an instant."""
        found: list[bytes] = []
        while self._heard and self._heard[0][1] < until_ns:
            octets, at_ns = self._heard.popleft()
            if at_ns - self._last_ns >= self._idle_ns:
                self._end(found)
            self._last_ns = at_ns
            self._burst += octets
            while len(self._burst) >= self._size:
                self._tell(bytes(self._burst[: self._size]), found)
                del self._burst[: self._size]
        if until_ns - self._last_ns > self._idle_ns:
            self._end(found)
        return found

    def figures(self) -> dict[str, int]:
        return {"lane": self.lane, "bursts": self.count, "short": self.short}

    def _end(self, found: list[bytes]) -> None:
        """The lane rests: what has begun is all there is of it."""
        if self._burst:
            self.short += 1
            self._tell(bytes(self._burst), found)
            self._burst.clear()

    def _tell(self, octets: bytes, found: list[bytes]) -> None:
        """A burst of the lane, as one of the node."""
        self.count += 1
        if not self.unseen:
            found.append(octets)
            return
        rest = self._fitting(octets)
        found.append(rest[: self._at] + octets + rest[self._at + self._size :])

    def _fitting(self, octets: bytes) -> bytes:
        """The packet whose octets for the lane these are; else the first that waits."""
        for place, payload in enumerate(self._waiting):
            if payload[self._at : self._at + self._size] == octets:
                for _ in range(place + 1):
                    self._waiting.popleft()
                return payload
        return self._waiting[0] if self._waiting else bytes(self._whole)
