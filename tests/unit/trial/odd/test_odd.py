"""Odd packets lie in the gaps, are what they are called, and move nobody else."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.base.columns import Drop, Flaw, To
from bench.base.errors import UsageError
from bench.profile import load_profile, profile_of
from bench.traffic.schedule import Schedule
from bench.trial.odd import KINDS, Odd, OddSource, odd_of
from bench.trial.plan import Plan
from bench.trial.source import source_of
from bench.wire.decoder import Decoder
from bench.wire.format import format_of
from bench.wire.packets import fault_of, number_at
from bench.wire.states import Packet, Rejected

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.base.columns import Line, Sent
    from bench.profile import Profile

SLOW = ["traffic.frame_rate=4 Hz"]
ALL = tuple(Odd(kind, 7) for kind in KINDS)


def profile(*overrides: str) -> Profile:
    """The markers, at a rate that leaves gaps."""
    return load_profile("modbus-rtu", [*SLOW, *overrides])


def taken(source: Any, sizes: Iterable[int]) -> list[tuple[Line, Sent]]:
    """All chunks of a source; the last size goes on."""
    chunks, sizes = [], iter(sizes)
    most = 400
    while (chunk := source.take(most := next(sizes, most))) is not None:
        line, sent = chunk
        copy = type(line)(
            line.octets.copy(),
            line.runs.copy(),
            line.flaws.copy(),
            line.first,
            line.until_ns,
        )
        chunks.append((copy, type(sent)(sent.rows.copy(), sent.payload.copy())))
        source.give_back(line, sent)
    return chunks


def joined(chunks: list[tuple[Line, Sent]]) -> dict[str, Any]:
    """What chunks hold, wherever they were cut."""
    octets = b"".join(line.octets.tobytes() for line, _ in chunks)
    runs = [
        (int(run["first"]) + line.first, int(run["start_ns"]), int(run["start_rem"]))
        for line, _ in chunks
        for run in line.runs
    ]
    flaws = [
        (int(flaw["at"]) + line.first, int(flaw["kind"]))
        for line, _ in chunks
        for flaw in line.flaws
    ]
    rows, payloads = [], []
    for _, sent in chunks:
        for row in sent.rows:
            at = int(row["payload_at"])
            end = at + int(row["payload_octets"])
            payloads.append(sent.payload[at:end].tobytes() if at >= 0 else None)
            rows.append(
                [int(row[name]) for name in row.dtype.names if name != "payload_at"]
            )
    return {
        "octets": octets,
        "runs": runs,
        "flaws": flaws,
        "rows": rows,
        "payload": payloads,
    }


def odd_stream(prof: Profile, sizes: Iterable[int] = (), odd=ALL, packets=300):
    """A stream with odd packets, joined."""
    plan = Plan(prof, 5, packets=packets, odd=odd)
    return joined(taken(source_of(plan), sizes))


NAMES = (
    "packet",
    "frame",
    "first",
    "octets",
    "start_ns",
    "last_bit_ns",
    "payload_octets",
    "address",
    "to",
)


def test_good_packets_stay():
    """Without the odd ones it is the schedule, times and contents."""
    prof = profile()
    plain = joined(taken(Schedule(prof, seed=5, packets=300), []))
    odd = odd_stream(prof)
    keep = [k for k, row in enumerate(odd["rows"]) if row[NAMES.index("to")] >= 0]
    assert len(keep) == 300 < len(odd["rows"])
    assert [odd["payload"][k] for k in keep] == plain["payload"]
    for name in ("frame", "octets", "start_ns", "last_bit_ns", "address", "to"):
        at = NAMES.index(name)
        assert [odd["rows"][k][at] for k in keep] == [row[at] for row in plain["rows"]]
    assert [row[0] for row in odd["rows"]] == list(range(len(odd["rows"])))


def test_each_is_what_it_is_called():
    """Every kind is put as often as asked, and its octets are of that kind."""
    prof = profile()
    layout = format_of(prof.packet).layout
    source = OddSource(Schedule(prof, seed=5, packets=300), prof, ALL, 5)
    found = joined(taken(source, []))
    nodes = {node.address for node in prof.node}
    counts = dict.fromkeys(KINDS, 0)
    for row in found["rows"]:
        _, _, first, size, *_, address, to = row
        if to >= 0:
            continue
        assert to == To.FOREIGN
        octets = found["octets"][first : first + size]
        fault = fault_of(layout, octets)
        if fault is None:
            assert number_at(layout.address, octets) == address
            assert address not in nodes
            kind = "foreign"
        else:
            kind = {
                Drop.BAD_CHECK: "bad-check",
                Drop.BAD_LITERAL: "unknown-literal",
            }.get(fault, "noise" if size == 1 else "cut")
            assert (octets[0] in nodes) or kind == "noise"
        counts[kind] += 1
    assert counts == source.put
    assert sum(counts.values()) >= 5 * (300 // 7) - 5
    assert len(source.waiting) <= 5


def test_they_lie_in_the_gaps():
    """Characters never overlap, and around an odd packet the line is quiet."""
    prof = profile()
    found = odd_stream(prof)
    rows = found["rows"]
    silence_ns = prof.packet.silence_ns
    for before, after in pairwise(rows):
        assert after[4] - before[5] >= silence_ns
        assert after[2] == before[2] + before[3]
    starts = {row[2]: row[4] for row in rows}
    assert [(at, ns) for at, ns, _ in found["runs"]] == sorted(starts.items())


def test_where_they_lie_varies():
    """The pause after an odd packet takes many lengths, or nothing could be told."""
    rows = odd_stream(profile())["rows"]
    pauses = [b[4] - a[5] for a, b in pairwise(rows) if a[-1] < 0]
    least, most = min(pauses), max(pauses)
    assert most > 3 * least
    assert len(set(np.array(pauses) // 5_000_000)) > 5


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 500), max_size=20))
def test_chunks_do_not_matter(sizes):
    """Any split of the schedule gives the same stream."""
    prof = profile()
    assert odd_stream(prof, sizes, packets=60) == odd_stream(prof, packets=60)


def test_chunks_keep_their_word():
    """No character starts before the end that an earlier chunk gave."""
    prof = profile()
    until_ns = 0
    for line, _ in taken(source_of(Plan(prof, 5, packets=100, odd=ALL)), [90] * 99):
        assert line.runs["start_ns"].min() >= until_ns
        until_ns = line.until_ns
        assert line.runs["start_ns"].max() < until_ns


@pytest.mark.parametrize("name", ["causeway", "slipway", "jetty"])
def test_other_framings(name):
    """A sound decoder loses no good packet to odd ones, of whatever framing."""
    overrides = ["traffic.pacing=timed", "traffic.frame_rate=4 Hz", "packet.pause=1 ms"]
    overrides += ["packet.silence=2 ms", "traffic.foreign.share=0 %"]
    prof = load_profile(name, overrides)
    form = format_of(prof.packet)
    odd = tuple(Odd(kind, 3) for kind in _possible(prof))
    found = odd_stream(prof, odd=odd, packets=60)
    decoder = Decoder(form, "timeout")
    runs, marked = found["runs"], {at for at, kind in found["flaws"] if kind}
    ends = [*[run[0] for run in runs[1:]], len(found["octets"])]
    free_ns = 0
    for (at, start_ns, _), end in zip(runs, ends, strict=True):
        decoder.gap(start_ns - free_ns)
        for place in range(at, end):
            octet = found["octets"][place]
            if place in marked:
                decoder.flaw(octet, Flaw.ADDRESS)
            else:
                decoder.octets(bytes([octet]))
        free_ns = prof.bus.pitch.at(end - at, start_ns)
    decoder.finish()
    events = list(decoder.events())
    good = [one.payload for one in events if isinstance(one, Packet)]
    own = [payload for payload in found["payload"] if payload is not None]
    strangers = len(good) - len(own)
    addresses = {node.address for node in prof.node}
    mine = [
        one.payload
        for one in events
        if isinstance(one, Packet) and one.address in addresses
    ]
    assert mine == own
    assert strangers > 0
    assert any(isinstance(one, Rejected) for one in events)


def _possible(prof: Profile) -> list[str]:
    """The kinds that a format can have."""
    kinds = []
    for kind in KINDS:
        try:
            OddSource(Schedule(prof, seed=1, packets=1), prof, (Odd(kind),), 1)
        except UsageError:
            continue
        kinds.append(kind)
    return kinds


@pytest.mark.parametrize(
    ("overrides", "kind", "said"),
    [
        (["traffic.frame_rate=12 Hz"], "noise", "gaps too short for odd packets"),
        (["traffic.pacing=flood"], "noise", "no gaps for odd packets: flood"),
    ],
)
def test_refused(overrides, kind, said):
    """What cannot be is refused in one line before anything is sent."""
    plan = Plan(load_profile("modbus-rtu", overrides), 5, packets=9, odd=(Odd(kind),))
    with pytest.raises(UsageError, match=said):
        source_of(plan)


def test_refused_by_the_format():
    """A packet cut short would spoil the next one, where nothing forgets it."""
    prof = load_profile("causeway", ["traffic.pacing=timed"])
    assert prof.packet.pause_ns is None
    with pytest.raises(UsageError, match="spoil the next packet by the format itself"):
        source_of(Plan(prof, 5, packets=9, odd=(Odd("cut"),)))


@pytest.mark.parametrize(
    ("text", "odd"), [("noise", Odd("noise", 20)), ("foreign=3", Odd("foreign", 3))]
)
def test_words(text, odd):
    """A kind, and its rate if it is stated."""
    assert odd_of(text) == odd


@pytest.mark.parametrize("text", ["nois", "noise=0", "noise=x", "noise=", "=3"])
def test_no_words(text):
    """Anything else is refused, naming what there is."""
    with pytest.raises(UsageError, match="--odd"):
        odd_of(text)


def test_probes():
    """A probe for one node after the other, as often as the profile asks."""
    probe = {
        "every": 5,
        "packet": {
            "framing": "silence",
            "silence": "2005209 ns",
            "fields": [
                {"kind": "address"},
                {"kind": "literal", "octets": "07"},
                {"kind": "payload", "octets": 0},
                {"kind": "check", "algorithm": "CRC-16/MODBUS", "order": "little"},
            ],
        },
    }
    tables = profile("bus.direction=half").dump()
    for node in tables["node"]:
        node["observe"] = {"by": "reply", "reply": {"window": "9 ms", "probe": probe}}
    prof = profile_of(tables)
    found = joined(taken(source_of(Plan(prof, 5, packets=300)), []))
    probes = [row for row in found["rows"] if row[-1] < 0]
    assert len(probes) == 300 // 15 - 1  # after the last packet there is no gap
    form = format_of(prof.node[0].observe.reply.probe.packet)
    for count, row in enumerate(probes):
        octets = found["octets"][row[2] : row[2] + row[3]]
        assert fault_of(form.layout, octets) is None
        assert octets[0] == row[-2] == prof.node[count % 3].address
