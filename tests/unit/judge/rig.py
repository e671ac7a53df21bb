"""A rig made of columns: what is sent and what the nodes are said to have done.

Packets follow each other on one line at its own pace; `wait` lets it idle.  What
a node does is stated, burst by burst, and nothing of the node itself is simulated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base import columns
from bench.judge.judge import Judge
from bench.link.observes import EVERYTHING, Observes
from bench.profile.load import load_profile
from bench.wire.format import format_of
from bench.wire.packets import build, encode

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.base.columns import Doing, Drop, To
    from bench.judge.verdict import Verdict

CHARACTER_NS = 2500  # on the causeway
BURST_NS = 100_000
GAP_NS = 500_000
CLOCKS = 3840
PAUSE_NS = 1_000_000
"""After it a node is ready for its next burst."""

EVERY_NODE = columns.To.EVERY_NODE
FOREIGN = columns.To.FOREIGN

SLACK_WATER, EBB, FLOOD_GATE, HARBOUR_END = range(4)

LIMITS = ("accept.latency=25 ms", "accept.skew=60 ms")


class Rig:
    """A small world, and the columns that hold it."""

    def __init__(self, *overrides: str, profile: str = "causeway") -> None:
        self.profile = load_profile(profile, [*LIMITS, *overrides])
        self._format = format_of(self.profile.packet)
        self._character_ns = self.profile.bus.character.at(1)
        self.now_ns = 0
        self.sent: list[tuple[int, ...]] = []
        self.payloads: list[bytes] = []
        self._octets = bytearray()
        self._starts: list[int] = []
        self.bursts: list[tuple[tuple[int, ...], bytes]] = []
        self.dropped: list[tuple[int, ...]] = []
        self.lost: list[tuple[int, ...]] = []

    def wait(self, ns: int = PAUSE_NS) -> None:
        """Let the line idle."""
        self.now_ns += ns

    def send(
        self,
        to: int | To,
        payload: bytes,
        frame: int = 0,
        address: int = 17,
        *,
        sync: bool = False,
    ) -> int:
        """Send a packet at once; returns its number."""
        if to >= 0:
            address = self.profile.node[to].address
        packet = build(
            self._format,
            address=None if self._format.layout.address is None else address,
            payload=payload,
        )
        characters = encode(self._format, packet)
        first, number, start = len(self._octets), len(self.sent), self.now_ns
        for _ in characters:
            self._starts.append(self.now_ns)
            self.now_ns += self._character_ns
        self._octets += characters
        ours = to != FOREIGN and not sync
        times = len(characters), start, self.now_ns
        kept = 0 if ours else -1
        frame = frame if to != FOREIGN else -1
        self.sent.append(
            (number, frame, first, *times, kept, len(payload), address, to)
        )
        self.payloads.append(payload if ours else b"")
        return number

    def sync(self, frame: int = 0) -> int:
        """Send a sync; returns its number."""
        return self.send(EVERY_NODE, b"", frame, 255, sync=True)

    def show(
        self,
        node: int,
        data: bytes,
        after_ns: int = 10_000,
        clocks: int = CLOCKS,
        marginal: int = 0,
        latched: bool = True,
        **more: int,
    ) -> None:
        """A node puts something out, so long after the line's last bit.

        `more` may give `burst_ns`, the beginning of the burst, if that came before, and
        `lane_skew_ns`.
        """
        first = self.now_ns + after_ns
        end = first + BURST_NS
        shown = end + GAP_NS if latched else -1
        times = more.get("burst_ns", first), first, end, shown
        skew = more.get("lane_skew_ns", 0)
        row = (*times, clocks, 0, len(data), node, marginal, skew)
        self.bursts.append((row, data))

    def drop(self, node: int, packet: int, reason: Drop, begin: int = 0) -> None:
        """A node confesses that it dropped a packet, or part of one."""
        first, octets = self.sent[packet][2], self.sent[packet][3]
        last_ns = self.sent[packet][5]
        self.dropped.append((last_ns, first + begin, first + octets, node, reason))

    def lose(self, node: int, packet: int, character: int, doing: Doing) -> None:
        """A node confesses that its receiver lost a character of a packet."""
        at = self.sent[packet][2] + character
        self.lost.append((at, self._starts[at] + self._character_ns, node, doing))

    # --- judged -----------------------------------------------------------------------

    def judge(self, observes: Observes = EVERYTHING, cuts: Sequence[int] = ()) -> Judge:
        """A judge that has taken everything, cut at some instants, and is finished."""
        judge = Judge(self.profile, observes)
        for chunk in self.chunks(cuts):
            judge.take(*chunk)
        judge.finish(self.end_ns)
        return judge

    def verdict(
        self, observes: Observes = EVERYTHING, void: Sequence[str] = ()
    ) -> Verdict:
        """What the judge says."""
        return self.judge(observes).result(void)

    @property
    def end_ns(self) -> int:
        """When everything is known."""
        known = [_known_ns(row) for row, _ in self.bursts]
        return 1 + max([self.now_ns, *known])

    def chunks(
        self, cuts: Sequence[int] = ()
    ) -> Iterator[tuple[columns.Line, columns.Sent, columns.Seen]]:
        """The world in columns."""
        since_ns = character = packet = 0
        for until_ns in (*sorted(cuts), self.end_ns):
            end = int(np.searchsorted(self._starts, until_ns))
            line = self._line(character, end, until_ns)
            count = sum(row[2] + row[3] <= end for row in self.sent) - packet
            sent = self._sent(packet, packet + count)
            yield line, sent, self._seen(since_ns, until_ns)
            since_ns, character, packet = until_ns, end, packet + count

    def _line(self, first: int, end: int, until_ns: int) -> columns.Line:
        starts = self._starts[first:end]
        runs = [
            (k, start, 0)
            for k, start in enumerate(starts)
            if k == 0 or start != starts[k - 1] + self._character_ns
        ]
        octets = np.frombuffer(bytes(self._octets[first:end]), np.uint8)
        flaws = columns.no_rows(columns.FLAW)
        return columns.Line(octets, np.array(runs, columns.RUN), flaws, first, until_ns)

    def _sent(self, first: int, end: int) -> columns.Sent:
        rows = np.array(self.sent[first:end], columns.SENT)
        payloads = self.payloads[first:end]
        places = np.cumsum([0, *(len(payload) for payload in payloads)])[:-1]
        rows["payload_at"] = np.where(rows["payload_at"] < 0, -1, places)
        return columns.Sent(rows, np.frombuffer(b"".join(payloads), np.uint8))

    def _seen(self, since_ns: int, until_ns: int) -> columns.Seen:
        def here(ns: int) -> bool:
            return since_ns <= ns < until_ns

        bursts = sorted(
            (burst for burst in self.bursts if here(_known_ns(burst[0]))),
            key=lambda burst: burst[0][1],
        )
        rows = np.array([row for row, _ in bursts], columns.SHOWN)
        data = [data for _, data in bursts]
        rows["data_at"] = np.cumsum([0, *(len(one) for one in data)])[:-1]
        dropped = [row for row in self.dropped if here(row[0])]
        lost = [row for row in self.lost if here(row[1])]
        return columns.Seen(
            rows,
            np.frombuffer(b"".join(data), np.uint8),
            np.array(dropped, columns.DROPPED),
            np.array(lost, columns.LOST),
            until_ns,
        )


def _known_ns(row: tuple[int, ...]) -> int:
    """When a burst is known of: once it has latched, or could have."""
    return row[2] + GAP_NS


def payload(k: int, octets: int = 16) -> bytes:
    """A payload like no other."""
    return k.to_bytes(4, "big") + bytes((7 * k + i) % 256 for i in range(octets - 4))
