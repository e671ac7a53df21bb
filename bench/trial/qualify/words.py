"""What a rig can and cannot resolve, in sentences; made from the figures alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns, format_rate, format_share

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.link.transport import Can

_STEADY = 0.02
"""Where reads jitter by more than this share of a stretch, nothing is said of idle."""


def baud_of(flow: Mapping[str, Any], bits: float, can: Can) -> dict[str, Any] | None:
    """The real baud; None where nothing below keeps one, or too little was read.

    Args:
        flow: Figures of the flow.
        bits: Of a character on the line.
        can: What the transport can do.
    """
    if not can.keeps_baud or flow.get("fastest_per_s") is None:
        return None
    baud = flow["fastest_per_s"] * bits
    return {"baud": baud, "plus_minus": baud * flow["uncertainty"]}


def verdict_of(figures: Mapping[str, Any]) -> tuple[str, str]:
    """The verdict on a rig, and one sentence."""
    echo, flow = figures["echo"], figures["flow"]
    if not echo["heard"]:
        return "VOID", (
            "nothing comes back: close the loop with a plug, or let a second port hear "
            "the line (--ear)"
        )
    if not echo["comes_back"]:
        return "FAIL", (
            f"what comes back is not what was sent ({echo['as']}): look at speed, "
            "format and polarity at both ends"
        )
    if flow is None:
        return "VOID", "stopped before anything was measured"
    wrong = [
        f"{format_count(flow[word])} {word}"
        for word in ("lost", "changed", "added")
        if flow[word]
    ]
    lost = figures["round_trips"]["lost"]
    sent = format_count(flow["accepted"])
    if wrong:
        return "FAIL", f"of {sent} octets {', '.join(wrong)} on the way"
    if lost:
        return "FAIL", f"{lost} of {figures['round_trips']['sent']} probes lost"
    if flow["accepted"] < flow["octets"]:
        of = format_count(flow["octets"])
        return "FAIL", f"only {sent} of {of} octets were accepted in time"
    return "PASS", f"{sent} octets there and back, none lost, changed or added"


def resolves(figures: Mapping[str, Any], wanted_baud: int) -> list[str]:
    """What this rig can and cannot resolve."""
    said = [_spacing(figures["write_calls"])]
    if figures["round_trips"] is not None and figures["round_trips"]["ns"]["n"]:
        said += _answers(figures["round_trips"])
    if figures["flow"] is not None:
        said += _line(figures, wanted_baud)
    if not figures["can"]["tells_flaws"]:
        said.append("line errors of what is heard are not observable")
    return [sentence for sentence in said if sentence]


def _spacing(calls: Mapping[str, Any] | None) -> str:
    """How well packets can be placed by the host."""
    if calls is None or calls["late_ns"] is None:
        return ""
    late, bare = calls["late_ns"], calls["bare"]["late_ns"]
    beside = (
        "" if bare["p99"] is None else f" (bare sleeps {format_ns(bare['p99'], 2)})"
    )
    text = (
        f"write calls are placed to within {format_ns(late['p99'], 2)} in 99 of 100, "
        f"{format_ns(late['max'], 2)} at worst{beside}"
    )
    if calls["kept"]:
        return f"{text}; when the octets are on the line only a capture shows"
    most = calls["largest_burst"]
    return f"spacing not kept: {text}, up to {most} at once; pace packed on this host"


def _answers(trips: Mapping[str, Any]) -> list[str]:
    """What can be said of the time that an answer takes."""
    times, beat = trips["ns"], trips["beat"]
    text = (
        f"a round trip without a node takes {format_ns(times['p50'], 3)}, "
        f"{format_ns(times['p99'], 3)} in 1 of 100: that much is not the node's"
    )
    if beat is None:
        return [text]
    period = format_ns(beat["ns"], 3)
    if beat["of"] == "adapter":
        held = (
            f"the adapter hands octets over every {period} (its latency timer): "
            "answers are late by up to that, and that is no node's fault"
        )
        return [text, held]
    return [text, f"the host's sleep wakes every {period}, whatever is asked of it"]


def _line(figures: Mapping[str, Any], wanted_baud: int) -> list[str]:
    """What is known of the line's rate, and of its idle time."""
    flow, said = figures["flow"], []
    if flow["heard"] is None:
        return ["what comes back is not observable, and neither is idle time"]
    if baud := figures["baud"]:
        off = baud["baud"] / wanted_baud - 1
        said.append(
            f"the adapter's baud is {format_rate(baud['baud'], 'baud', 6)} "
            f"± {format_rate(baud['plus_minus'], 'baud', 2)} ({100 * off:+.2f} %)"
        )
    elif not figures["can"]["keeps_baud"]:
        said.append(
            "nothing below keeps a baud: octets go as fast as the system moves them, "
            "and the bench paces by its own clock"
        )
    if flow["idle_share"] is not None and flow["uncertainty"] <= _STEADY:
        said.append(
            f"while octets were due the line rested for at most "
            f"{format_share(flow['idle_share'] + flow['uncertainty'], 2)} of the time, "
            f"of which {format_share(flow['uncertainty'], 2)} is what reads cannot tell"
        )
    elif figures["can"]["keeps_baud"]:
        said.append("idle time of the line is not observable: reads come too unevenly")
    if not figures["can"]["keeps_baud"]:
        return said
    said.append(
        f"octets come in portions of {flow['read_octets']['p50']}, 1 in 100 of "
        f"{flow['read_octets']['p99']}, {format_ns(flow['read_pitch_ns']['p99'], 2)} "
        "apart at that: gaps below are not seen"
    )
    return said
