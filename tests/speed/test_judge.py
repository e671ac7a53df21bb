"""How fast the judge is on the usual path: everything shown, in order.

Printed, never asserted.  The clock is `time.perf_counter_ns`; each figure is the median
of the later half of the chunks, so that buffers have grown to their size.
"""

from __future__ import annotations

import statistics
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from bench.base import columns
from bench.judge.histogram import Histogram
from bench.judge.judge import Judge
from bench.judge.kept.history import History
from bench.judge.match import Addressee, Matcher, Window
from bench.link.observes import EVERYTHING
from bench.profile.load import load_profile

if TYPE_CHECKING:
    from collections.abc import Iterator

pytestmark = pytest.mark.speed

CHARACTER_NS = 2500
CHUNKS = 60

Chunk = tuple[columns.Line, columns.Sent, columns.Seen]


def chunks(packets: int, payload: int) -> Iterator[Chunk]:
    """Four nodes in turn, back to back, each packet shown at once."""
    random = np.random.default_rng(1)
    size = payload + 8
    k = np.arange(packets)
    rows = np.zeros(packets, columns.SENT)
    rows["octets"], rows["payload_octets"] = size, payload
    rows["payload_at"], rows["to"] = k * payload, k % 4
    octets = random.integers(0, 256, packets * size, np.uint8)
    carried = random.integers(0, 256, packets * payload, np.uint8)
    shown = np.zeros(packets, columns.SHOWN)
    shown["clocks"], shown["node"] = 3840, k % 4
    shown["data_at"], shown["data_octets"] = k * payload, payload
    none = columns.no_rows(columns.DROPPED), columns.no_rows(columns.LOST)
    for n in range(CHUNKS):
        number = k + n * packets
        rows["packet"], rows["frame"], rows["first"] = (
            number,
            number // 4,
            number * size,
        )
        rows["last_bit_ns"] = (number + 1) * size * CHARACTER_NS
        shown["burst_ns"] = shown["first_bit_ns"] = rows["last_bit_ns"] + 1000
        shown["end_ns"] = shown["first_bit_ns"] + 1000
        shown["shown_ns"] = shown["end_ns"] + 1000
        until_ns = (n + 1) * packets * size * CHARACTER_NS
        runs = np.array([(0, n * packets * size * CHARACTER_NS, 0)], columns.RUN)
        flaws = columns.no_rows(columns.FLAW)
        line = columns.Line(octets, runs, flaws, n * packets * size, until_ns)
        seen = columns.Seen(shown.copy(), carried, *none, until_ns)
        yield line, columns.Sent(rows.copy(), carried), seen


def median(times: list[int]) -> float:
    """Median of the later half."""
    return statistics.median(times[len(times) // 2 :])


@pytest.mark.parametrize(
    ("packets", "payload"), [(20, 3840), (200, 3840), (2000, 16), (10_000, 16)]
)
def test_usual_path(packets: int, payload: int) -> None:
    """Nanoseconds a packet and a payload octet: keeping, matching, all of judging."""
    window = Window(memory_ns=10**9, hold_ns=10**8)
    history = History(lambda characters: characters)
    matcher = Matcher([Addressee()] * 4, history, window)
    judge = Judge(load_profile("causeway"), EVERYTHING)
    kept, matched, judged = [], [], []
    for line, sent, seen in chunks(packets, payload):
        start = time.perf_counter_ns()
        rows = history.add(line, sent)
        middle = time.perf_counter_ns()
        outcomes = matcher.take(rows, seen)
        end = time.perf_counter_ns()
        history.forget(matcher.floor_ns)
        kept.append(middle - start)
        matched.append(end - middle)
        assert len(outcomes) == packets
        start = time.perf_counter_ns()
        judge.take(line, sent, seen)
        judged.append(time.perf_counter_ns() - start)
    for what, times in (("keep", kept), ("match", matched), ("judge", judged)):
        each = median(times) / packets
        print(  # noqa: T201 (what it is for)
            f"\n{packets} packets of {payload} octets a chunk: {what} {each:.1f} ns a "
            f"packet, {each / payload:.3f} ns a payload octet",
            end="",
        )


def test_histogram() -> None:
    """Nanoseconds to count one time."""
    histogram = Histogram()
    values = np.random.default_rng(1).integers(0, 2**35, 100_000)
    times = []
    for _ in range(40):
        start = time.perf_counter_ns()
        histogram.add(values)
        times.append(time.perf_counter_ns() - start)
    each = median(times) / len(values)
    print(f"\nhistogram: {each:.2f} ns a time", end="")  # noqa: T201
