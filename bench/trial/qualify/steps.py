"""The steps: does it come back, how long does it take, how fast, how evenly.

* **Echo**: a few octets; without them back, half of the figures are not observable.
* **Round trips**: a short probe after pauses of many lengths.  An adapter's latency
  timer lets answers go at its own beat whatever the pause was, so the times from answer
  to answer are multiples of it.  Where they are, but answers come at once, it is the
  host's sleep that has the beat.
* **Flow**: octets that look random, as many as the line takes in a while.  The rate of
  what comes back is the adapter's baud, if the line never rested; the fastest stretch
  against the whole bounds how long it rested.  Both to within what reads jitter.
* **Write calls**: placed by the bench's pacer, and beside it by bare sleeps.
"""

from __future__ import annotations

import itertools
from hashlib import shake_256
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.grid import NS_PER_S
from bench.link.pacer import Pacer
from bench.link.quantum import find_quantum
from bench.trial.listen.spread import Spread
from bench.trial.qualify.compare import compare

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.base.grid import Grid
    from bench.trial.qualify.rules import QualifyRules
    from bench.trial.qualify.wire import Mark, Wire

_ECHO = bytes([0x55, 0x00, 0xFF, 0xA5, 0x0F, 0x11, 0x13, 0x5A])
"""All levels, edges, and the octets of software flow control."""

_SEED = b"nightbench qualify"

_LEAST_PAUSE_NS = 40_000_000
"""Pauses before probes go up to this, two ticks of a coarse system timer and more, or
up to a few round trips."""

_ROUND_TRIPS = 2.5

_GOLDEN = 0.6180339887498949
"""Its multiples without their whole part fill the pauses evenly in any number."""

_WINDOWS = 8
"""Stretches of a flow whose rates are compared."""

_FEWEST_MARKS = 4 * _WINDOWS
"""Reads that a rate of the line needs: fewer tell nothing of stretches."""


def look_for_echo(wire: Wire, rules: QualifyRules) -> dict[str, Any]:
    """Whether what is sent comes back."""
    wire.begin()
    sent = wire.send(_ECHO, rules.answer_ns)
    wire.hear_for(rules.answer_ns, sent)
    got = bytes(wire.got)
    return {
        "sent": sent,
        "heard": len(got),
        "comes_back": got == _ECHO,
        "as": got.hex().upper() if got != _ECHO else None,
    }


def round_trips(wire: Wire, rules: QualifyRules) -> dict[str, Any]:
    """How long a short probe takes, and whether that has a beat."""
    clock, spread = wire.clock, Spread()
    times: list[int] = []
    arrivals: list[int] = []
    lost = 0
    until_ns = clock.now_ns() + rules.pings_ns
    for k in range(rules.pings):
        if clock.now_ns() >= until_ns:
            break
        usual_ns = sorted(times)[len(times) // 2] if times else 0
        most_ns = max(_LEAST_PAUSE_NS, round(_ROUND_TRIPS * usual_ns))
        clock.sleep((k * _GOLDEN % 1.0) * most_ns / NS_PER_S)
        wire.begin()
        probe = k.to_bytes(2, "big") + _ECHO[:2]
        began_ns = clock.now_ns()
        wire.send(probe, rules.answer_ns)
        wire.hear_for(rules.answer_ns, len(probe))
        if bytes(wire.got) != probe:
            lost += 1
            continue
        at_ns = wire.marks[-1].at_ns
        times.append(at_ns - began_ns)
        arrivals.append(at_ns)
        spread.add(max(0, at_ns - began_ns))
    quantum = find_quantum(np.diff(arrivals)) if len(arrivals) > 1 else None
    told = None if quantum is None else quantum.as_dict()
    if told is not None and quantum is not None:
        # Answers that are held wait for half a beat on average.
        usual_ns = sorted(times)[len(times) // 2]
        told["of"] = "adapter" if usual_ns >= quantum.ns / 4 else "host"
    return {"sent": spread.n + lost, "lost": lost, "ns": spread.as_dict(), "beat": told}


def flow(wire: Wire, rules: QualifyRules, pitch: Grid, *, echo: bool) -> dict[str, Any]:
    """Octets without a pause: how many a second, and what became of them."""
    wire.begin()
    count = max(64, min(rules.flow_octets, int(rules.flow_ns / pitch.step)))
    block = shake_256(_SEED).digest(count)
    clock = wire.clock
    began_ns = heard_ns = clock.now_ns()
    until_ns = began_ns + 2 * rules.flow_ns + rules.answer_ns
    sent = ahead = 0
    accepted_ns = began_ns
    view = memoryview(block)
    while (now_ns := clock.now_ns()) < until_ns:
        accepted = wire.out.write(view[sent : sent + _PIECE]) if sent < count else 0
        if accepted:
            sent, accepted_ns = sent + accepted, now_ns
            ahead = max(ahead, sent - len(wire.got))
        if wire.hear():
            heard_ns = now_ns
        elif not accepted:
            if sent == count and not _more(wire, echo, heard_ns, sent, rules):
                break
            wire.wait(until_ns, room=sent < count)
    figures = {
        "octets": count,
        "accepted": sent,
        "accepted_ns": accepted_ns - began_ns,
        "spent_ns": clock.now_ns() - began_ns,
    }
    if not echo:
        return figures | {"heard": None}
    return figures | {
        "heard": len(wire.got),
        "ahead": ahead,
        "octets_per_s": _whole_rate(wire.marks),
        **_fates(block[:sent], bytes(wire.got)),
        **_reads(wire.marks, began_ns),
        **_steadiness(wire.marks),
    }


_PIECE = 4096
"""Octets of one write call at most."""


def _more(
    wire: Wire, echo: bool, heard_ns: int, sent: int, rules: QualifyRules
) -> bool:
    """Whether anything may still come, or go, once everything was accepted."""
    if echo:
        quiet_ns = wire.clock.now_ns() - heard_ns
        return len(wire.got) < sent and quiet_ns < rules.answer_ns
    return bool(wire.out.unsent())


def _fates(sent: bytes, got: bytes) -> dict[str, Any]:
    fate = compare(sent, got)
    return {
        "same": fate.same,
        "changed": fate.changed,
        "lost": fate.lost,
        "added": fate.added,
        "first_difference": fate.first,
    }


def _reads(marks: Sequence[Mark], began_ns: int) -> dict[str, Any]:
    """In what portions octets came back, and how far these were apart."""
    sizes, pitches = Spread(), Spread()
    had, at_ns = 0, began_ns
    for mark in marks:
        sizes.add(mark.octets - had)
        pitches.add(max(0, mark.at_ns - at_ns))
        had, at_ns = mark.octets, mark.at_ns
    return {"read_octets": sizes.as_dict(), "read_pitch_ns": pitches.as_dict()}


def _whole_rate(marks: Sequence[Mark]) -> float | None:
    """Octets a second from the first read to the last."""
    if len(marks) < 2 or marks[-1].at_ns <= marks[0].at_ns:
        return None
    octets = marks[-1].octets - marks[0].octets
    return octets * NS_PER_S / (marks[-1].at_ns - marks[0].at_ns)


def _steadiness(marks: Sequence[Mark]) -> dict[str, Any]:
    """The rate of the fastest stretch, and how far the whole is below it.

    `uncertainty` is the share by which either may be wrong: the 99th percentile of how
    far reads are from a steady rate, at both ends of a stretch, over its length.
    """
    unknown = {"fastest_per_s": None, "idle_share": None, "uncertainty": None}
    whole = _whole_rate(marks)
    if whole is None or len(marks) < _FEWEST_MARKS:
        return unknown
    at = np.array([mark.at_ns for mark in marks], np.float64)
    octets = np.array([mark.octets for mark in marks], np.float64)
    cuts = np.searchsorted(at, np.linspace(at[0], at[-1], _WINDOWS + 1)[1:-1])
    bounds = [0, *cuts.tolist(), len(marks) - 1]
    rates, lengths, jitters = [], [], []
    for first, last in itertools.pairwise(bounds):
        if last - first < 2 or at[last] <= at[first]:
            return unknown
        span = at[last] - at[first]
        rate = (octets[last] - octets[first]) / span
        wanted = at[first] + (octets[first : last + 1] - octets[first]) / rate
        jitters.append(np.abs(at[first : last + 1] - wanted))
        rates.append(rate)
        lengths.append(span)
    jitter = float(np.percentile(np.concatenate(jitters), 99))
    fastest = float(np.median(np.sort(rates)[-2:]))
    return {
        "fastest_per_s": fastest * NS_PER_S,
        "idle_share": max(0.0, 1 - whole / (fastest * NS_PER_S)),
        "uncertainty": 2 * jitter / float(np.median(lengths)),
    }


def write_calls(wire: Wire, rules: QualifyRules) -> dict[str, Any]:
    """How well write calls are placed in time: by the pacer, and by bare sleeps."""
    clock = wire.clock
    wire.begin()
    octet = memoryview(b"\x55")
    pacer = Pacer(clock)
    deadlines = clock.now_ns() + rules.period_ns * np.arange(1, rules.writes + 1)
    began_ns = clock.now_ns()
    for at in range(0, rules.writes, _DEADLINES):
        pacer.send(deadlines[at : at + _DEADLINES], lambda _: wire.out.write(octet))
        wire.hear()
    spent_ns = clock.now_ns() - began_ns
    report = pacer.report()
    return {
        "writes": report.packets,
        "period_ns": rules.period_ns,
        "spent_ns": spent_ns,
        "late_ns": _percentiles(report.lateness),
        "largest_burst": report.largest_burst,
        "kept": report.kept,
        "why": None if report.fault is None else report.fault.value,
        "bare": _bare(wire, rules),
    }


_DEADLINES = 20
"""Write calls between two looks at what came, and whether to stop."""


def _percentiles(found: Any) -> dict[str, int] | None:
    if found is None:
        return None
    return {"p50": found.p50, "p99": found.p99, "max": found.greatest}


def _bare(wire: Wire, rules: QualifyRules) -> dict[str, Any]:
    """The same with one sleep of a period after another, for as long."""
    clock, late, octet = wire.clock, Spread(), memoryview(b"\x55")
    began_ns = clock.now_ns()
    for k in range(1, rules.writes + 1):
        clock.sleep(rules.period_ns / NS_PER_S)
        now_ns = clock.now_ns()
        late.add(max(0, now_ns - began_ns - k * rules.period_ns))
        wire.out.write(octet)
        if k % _DEADLINES == 0:
            wire.hear()
        if now_ns - began_ns >= rules.writes * rules.period_ns:
            break
    wire.hear_for(rules.answer_ns // 10)
    return {"writes": late.n, "late_ns": late.as_dict()}
