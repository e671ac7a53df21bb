"""A snapshot as strict JSON: what may be seen of a run, and no more.

What is not named here is left out, whatever the snapshot holds: commands, folders and
who sits at the bench are nobody's business on a network.  Texts are shortened, lists
and sizes have a limit, and what is no number becomes null.

A snapshot may hold, and each of it may be missing:

    profile, link       texts
    dut                 {serial, revision, firmware}
    state               "running", "paused", "waiting", "ended"
    verdict, reason     of what is over already
    at                  UTC, as a label
    awake_ns, total_ns  since the start, without and with suspends
    left_ns, share      until the planned end; how much is done, 0 to 1
    packets             {offered, shown, lost, corrupt, stray, late}
    upper, confidence   the bound on the loss so far
    interval            the last record of the interval log
    events              the last event records
"""

from __future__ import annotations

import json
from math import isfinite
from typing import TYPE_CHECKING, Any

from bench.base.units import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Told = dict[str, Any]

STATES = ("running", "paused", "waiting", "ended")

EVENTS = 20
"""Events that are told, the last ones."""

_TEXT = 300
_READINGS = 8
_SENTENCES = 6

_NUMBERS = (
    "awake_ns",
    "total_ns",
    "left_ns",
    "share",
    "upper",
    "confidence",
)
_TEXTS = ("profile", "link", "reason", "at")
_DUT = ("serial", "revision", "firmware")
_PACKETS = ("offered", "shown", "lost", "corrupt", "stray", "late")
_TIMES = ("least", "p50", "p99", "most")
_HEALTH = (
    "queue_dry",
    "lateness_p99_ns",
    "processor_share",
    "memory_free_share",
    "swapped_octets",
    "adapter_errors",
)


def told(snapshot: Mapping[str, Any]) -> Told:
    """What may be seen of a snapshot."""
    made: Told = {word: _text(snapshot.get(word)) for word in _TEXTS}
    made |= {word: _number(snapshot.get(word)) for word in _NUMBERS}
    state, verdict = snapshot.get("state"), snapshot.get("verdict")
    made["state"] = state if state in STATES else None
    made["verdict"] = verdict if verdict in ("PASS", "FAIL", "VOID") else None
    dut = _table(snapshot.get("dut"))
    made["dut"] = {word: _text(dut.get(word)) for word in _DUT}
    made["packets"] = _counts(snapshot.get("packets"), _PACKETS)
    made["interval"] = _interval(snapshot.get("interval"))
    made["events"] = [_event(one) for one in _list(snapshot.get("events"))[-EVENTS:]]
    return made


def brief(interval: Told) -> Told:
    """What is kept of an interval once it is not the last one any more."""
    packets, latency = interval["packets"], interval["latency_ns"]
    return {
        "number": interval["number"],
        "offered": packets["offered"],
        "lost": packets["lost"],
        "p50": latency["p50"],
        "p99": latency["p99"],
        "void": bool(interval["void"]),
    }


def as_json(content: Told, recent: Sequence[Told]) -> bytes:
    """Strict JSON, in ASCII."""
    return json.dumps({**content, "recent": list(recent)}, allow_nan=False).encode()


def _interval(record: object) -> Told | None:
    """The last record of the interval log."""
    if not isinstance(record, dict):
        return None
    health, readings = _table(record.get("health")), _table(record.get("readings"))
    return {
        "number": _number(record.get("number")),
        "from_ns": _number(record.get("from_ns")),
        "to_ns": _number(record.get("to_ns")),
        "packets": _counts(record.get("packets"), _PACKETS),
        "latency_ns": _counts(record.get("latency_ns"), _TIMES),
        "void": [_text(one) for one in _list(health.get("void"))[:_SENTENCES]],
        "health": _counts(health, _HEALTH),
        "readings": [
            [_text(name), value if isinstance(value, str) else _number(value)]
            for name, value in [
                (one, _text(two) if isinstance(two, str) else two)
                for one, two in list(readings.items())[:_READINGS]
            ]
        ],
    }


def _event(record: object) -> Told:
    """One event."""
    event = _table(record)
    return {
        "event": _text(event.get("event")),
        "text": _text(event.get("text")),
        "from_ns": _number(event.get("from_ns")),
        "to_ns": _number(event.get("to_ns")),
        "at": _text(event.get("at")),
    }


def _counts(table: object, words: Sequence[str]) -> Told:
    """Numbers of a table, each named one."""
    numbers = _table(table)
    return {word: _number(numbers.get(word)) for word in words}


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: object) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else []


def _text(value: object) -> str | None:
    return shown(value, _TEXT) if isinstance(value, str) else None


def _number(value: object) -> float | int | None:
    """A number that JSON and a browser can hold; None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if isinstance(value, int):
        return value if abs(value) < 2**63 else None
    return float(value) if isfinite(value) else None
