"""One line on the rig that a trial ran over: what its qualification found.

It is made from the record that `qualify` keeps by the link's name, and quoted by every
verdict over that link.  A rig that was never qualified is said to be none; what its
verdicts say of times is then worth less, and nobody knows by how much.
"""

from __future__ import annotations

import shlex
from datetime import datetime
from typing import TYPE_CHECKING, Any

from bench.base.units import BAUD, format_ns, format_rate, format_share

if TYPE_CHECKING:
    from collections.abc import Mapping

    Content = Mapping[str, Any]


def rig_line(link_name: str, record: Content | None) -> str:
    """Which rig, measured when, what it can and cannot resolve.

    Args:
        link_name: The link as it is named.
        record: What `bench.ledger.rigs.known_rig` gives; None: never qualified.
    """
    if record is None:
        words = shlex.join(["nightbench", "qualify", "--link", link_name])
        return f"rig not qualified: {words}"
    at = "" if record.get("wanted_baud") is None else _at(record["wanted_baud"])
    by = " from a capture of the bus" if record.get("capture") else ""
    head = f"{link_name} qualified{by} {_when(record.get('when'))}{at}"
    told = [*_calls(record), *_answers(record), *_rate(record), *_idle(record)]
    return f"{head}: {'; '.join(told) or 'nothing was measured'}"


def _when(text: str | None) -> str:
    """The label of a run's folder as a date."""
    try:
        when = datetime.strptime(str(text), "%Y%m%dT%H%M%S%z")
    except ValueError:
        return "at an unknown time"
    return f"{when:%Y-%m-%d %H:%M} UTC"


def _at(baud: int) -> str:
    return f" at {BAUD.text(baud)}"


def _calls(record: Content) -> list[str]:
    """How well the host places write calls."""
    late = record.get("late_ns")
    if not late or late.get("p99") is None:
        return []
    text = f"write calls within {format_ns(late['p99'], 2)} in 99 of 100"
    return [text if record.get("spacing_kept") else f"{text}, spacing not kept"]


def _answers(record: Content) -> list[str]:
    """What of a round trip is not the node's."""
    trip, beat = record.get("round_trip_ns"), record.get("beat")
    found = []
    if trip and trip.get("p50") is not None:
        found.append(f"{format_ns(trip['p50'], 2)} of a round trip are not the node's")
    if beat:
        whose = "latency timer" if beat["of"] == "adapter" else "host's sleep"
        found.append(f"answers in steps of {format_ns(beat['ns'], 3)} ({whose})")
    return found


def _rate(record: Content) -> list[str]:
    """The real baud."""
    baud = record.get("baud")
    if not baud:
        return ["real baud not observable"]
    made = format_rate(baud["baud"], "baud", 6)
    return [f"real baud {made} ± {format_rate(baud['plus_minus'], 'baud', 2)}"]


def _idle(record: Content) -> list[str]:
    """Whether the line rests while characters are due."""
    idle, unsure = record.get("idle_share"), record.get("uncertainty")
    if idle is None or unsure is None or not record.get("baud"):
        return ["idle time of the line not observable"]
    return [f"line idle at most {format_share(idle + unsure, 2)} of a packed run"]
