"""A whole schedule put together from its chunks, every character with its start."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.columns import Flaw

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Line, Sent
    from bench.traffic.schedule import Schedule


@dataclass
class Whole:
    """What a schedule sent.

    Attributes:
        octets: Every character.
        starts: When each one starts, a fraction of ns.
        breaks: (index, length) of every break.
        marks: Index of every character with its ninth bit set.
        rows: Every packet, a dict with the names of the column, and its `payload`.
        untils: The bound that each chunk stated, with its first index after it.
    """

    octets: bytearray = field(default_factory=bytearray)
    starts: list[Fraction] = field(default_factory=list)
    breaks: list[tuple[int, int]] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)
    rows: list[dict] = field(default_factory=list)
    untils: list[tuple[int, int]] = field(default_factory=list)


def collect(schedule: Schedule, mosts: Iterator[int], pitch: Fraction) -> Whole:
    """Take everything, in chunks of the sizes that are given."""
    whole = Whole()
    while (chunk := schedule.take(next(mosts))) is not None:
        line, sent = chunk
        _add_line(whole, line, pitch)
        _add_rows(whole, line, sent)
    return whole


def _add_line(whole: Whole, line: Line, pitch: Fraction) -> None:
    assert line.first == len(whole.octets)
    assert len(line.octets) > 0
    assert line.runs["first"][0] == 0
    assert (line.flaws["at"][1:] > line.flaws["at"][:-1]).all()
    for row in line.flaws:
        at, length_ns = line.first + int(row["at"]), int(row["length_ns"])
        if row["kind"] == Flaw.ADDRESS:
            assert length_ns == 0
            whole.marks.append(at)
        else:
            assert row["kind"] == Flaw.BREAK
            whole.breaks.append((at, length_ns))
    ends = [*line.runs["first"][1:], len(line.octets)]
    for row, end in zip(line.runs, ends, strict=True):
        start = row["start_ns"] + Fraction(int(row["start_rem"]), pitch.denominator)
        assert end > row["first"]
        for k in range(int(end - row["first"])):
            whole.starts.append(start + k * pitch)
    whole.octets += bytes(line.octets)
    whole.untils.append((len(whole.octets), line.until_ns))


def _add_rows(whole: Whole, line: Line, sent: Sent) -> None:
    at = 0
    for row in sent.rows:
        packet = {name: int(row[name]) for name in sent.rows.dtype.names}
        assert line.first <= packet["first"]
        assert packet["first"] + packet["octets"] <= len(whole.octets)
        payload_at = packet.pop("payload_at")
        packet["payload"] = None
        if payload_at >= 0:
            assert payload_at == at
            at += packet["payload_octets"]
            packet["payload"] = bytes(sent.payload[payload_at:at])
        whole.rows.append(packet)
    assert at == len(sent.payload)
