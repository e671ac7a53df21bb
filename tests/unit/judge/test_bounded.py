"""A night of characters does not make the judge grow."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel
from unit.judge.rig import CHARACTER_NS, CLOCKS, Rig

from bench.base import columns
from bench.base.columns import Doing, Drop
from bench.judge.judge import Judge
from bench.link.observes import EVERYTHING

PAYLOAD = 3840
PACKET = PAYLOAD + 8
PACKETS = 128
CHUNK_NS = PACKETS * PACKET * CHARACTER_NS


def held(thing: Any, met: set[int]) -> int:
    """Octets and items that an object holds, all the way down."""
    if id(thing) in met or isinstance(thing, (BaseModel, ModuleType, type)):
        return 0
    met.add(id(thing))
    if isinstance(thing, np.ndarray):
        return thing.nbytes
    if isinstance(thing, dict):
        return len(thing) + sum(held(value, met) for value in thing.values())
    if isinstance(thing, (list, tuple)):
        return len(thing) + sum(held(value, met) for value in thing)
    return sum(held(value, met) for value in getattr(thing, "__dict__", {}).values())


class Chunks:
    """The same chunk over and over, later each time, and a part of it shown."""

    def __init__(self, shown_share: float) -> None:
        random = np.random.default_rng(7)
        self._octets = random.integers(0, 256, PACKETS * PACKET, np.uint8)
        self._payload = random.integers(0, 256, PACKETS * PAYLOAD, np.uint8)
        k = np.arange(PACKETS)
        self._sent = np.zeros(PACKETS, columns.SENT)
        self._sent["packet"], self._sent["frame"] = k, k // 4
        self._sent["first"], self._sent["octets"] = k * PACKET, PACKET
        self._sent["last_bit_ns"] = (k + 1) * PACKET * CHARACTER_NS
        self._sent["payload_at"], self._sent["payload_octets"] = k * PAYLOAD, PAYLOAD
        self._sent["to"] = k % 4
        self._shown = np.flatnonzero(random.random(PACKETS) < shown_share)

    def chunk(self, n: int) -> tuple[columns.Line, columns.Sent, columns.Seen]:
        """The nth chunk."""
        sent = self._sent.copy()
        sent["packet"] += n * PACKETS
        sent["frame"] += n * PACKETS // 4
        sent["first"] += n * len(self._octets)
        sent["last_bit_ns"] += n * CHUNK_NS
        until_ns = (n + 1) * CHUNK_NS
        runs = np.array([(0, n * CHUNK_NS, 0)], columns.RUN)
        first = n * len(self._octets)
        line = columns.Line(
            self._octets, runs, columns.no_rows(columns.FLAW), first, until_ns
        )
        return line, columns.Sent(sent, self._payload), self._seen(sent, until_ns)

    def _seen(self, sent: np.ndarray, until_ns: int) -> columns.Seen:
        those = sent[self._shown]
        shown = np.zeros(len(those), columns.SHOWN)
        shown["burst_ns"] = shown["first_bit_ns"] = those["last_bit_ns"]
        shown["end_ns"] = those["last_bit_ns"] + 100
        shown["shown_ns"] = those["last_bit_ns"] + 500
        shown["clocks"], shown["node"] = CLOCKS, those["to"]
        shown["data_at"], shown["data_octets"] = those["payload_at"], PAYLOAD
        gone = np.delete(sent, self._shown)
        lost = np.zeros(10 * len(gone), columns.LOST)
        lost["at"] = np.repeat(gone["first"], 10) + np.tile(np.arange(10), len(gone))
        lost["node"] = np.repeat(gone["to"], 10)
        lost["doing"] = Doing.RECEIVE_BODY
        dropped = np.zeros(len(gone), columns.DROPPED)
        dropped["first"], dropped["end"] = gone["first"], gone["first"] + PACKET
        dropped["node"], dropped["reason"] = gone["to"], Drop.BAD_CHECK
        return columns.Seen(shown, self._payload, dropped, lost, until_ns)


@pytest.mark.parametrize("shown_share", [1.0, 0.5, 0.0])
def test_hundred_million_characters(shown_share: float) -> None:
    """What is held after the first minute is what is held after all of them."""
    rig = Rig("accept.latency=1 s")
    judge = Judge(rig.profile, EVERYTHING)
    chunks = Chunks(shown_share)
    after = {}
    count = 100_000_000 // (PACKETS * PACKET) + 1
    for n in range(count):
        judge.take(*chunks.chunk(n))
        judge.anomalies()
        if n in (50, count - 1):
            after[n] = held(judge, set())
    judge.finish(count * CHUNK_NS)
    figures = judge.result().figures
    assert figures["line"]["characters"] > 100_000_000
    assert figures["packets"]["offered"] == count * PACKETS
    if shown_share == 1:
        assert figures["packets"]["shown"] == count * PACKETS
    assert after[count - 1] <= after[50] < 64e6


def test_time_that_stands_still() -> None:
    """A link that never says how far it saw cannot make the judge keep everything."""
    rig = Rig()
    judge = Judge(rig.profile, EVERYTHING)
    chunks = Chunks(0.0)
    for n in range(300):
        line, sent, seen = chunks.chunk(n)
        still = columns.Seen(
            seen.shown, seen.data, seen.dropped[:0], seen.lost[:0], until_ns=0
        )
        judge.take(line, sent, still)
    # 300 chunks carry 147 MB of payload.
    assert held(judge, set()) < 400e6
    judge.finish(300 * CHUNK_NS)
    assert judge.result().figures["packets"]["lost"] == 300 * PACKETS
