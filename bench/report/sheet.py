"""What a profile comes to: closed figures of its line, its nodes and its lights.

One function gathers them in plain numbers, another lays them out; they are worked out
by `bench.budget`.  Nothing is played: these are the quantities that a designer knows by
heart of a rig that works, so a slip in a profile shows here first.
"""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING, Any

from bench.base.errors import ProfileError
from bench.base.grid import NS_PER_S
from bench.base.units import (
    format_count,
    format_ns,
    format_rate,
    format_share,
)
from bench.budget.board.board import per_interrupt
from bench.budget.board.output import first_extra_clock_hz, stop_ns
from bench.budget.bus.frames import character_ns, line_figures
from bench.budget.bus.light import light_figures
from bench.node.spec import node_specs, spec_of
from bench.profile import profile_digest
from bench.report.fields import alike
from bench.report.page import LEAST, WIDTH, Page, Piece

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.profile import Profile
    from bench.profile.model import Node
    from bench.traffic.light import LightFigures

_LABELS = 21
_VALUES = 16


def comes_to(profile: Profile, lit: LightFigures | None = None) -> dict[str, Any]:
    """The figures of a profile, as strict JSON.

    Args:
        profile: A profile that can be sent.
        lit: What its pattern would light; None where that was not looked at.
    """
    return {
        "profile": profile.name,
        "summary": profile.summary,
        "digest": profile_digest(profile),
        "line": line_figures(profile),
        "nodes": [_node(profile, group) for group in alike(profile.node)],
        "light": _light(profile, lit),
        "notes": _notes(profile),
    }


# --- the nodes ------------------------------------------------------------------------


def _node(profile: Profile, group: Sequence[Node]) -> dict[str, Any]:
    """One node of a group of like ones."""
    processor, output = group[0].processor, group[0].output
    spec = spec_of(profile, profile.node.index(group[0]))
    busy_ns, taken = per_interrupt(spec)
    return {
        "names": [node.name for node in group],
        "receive": processor.receive,
        "method": output.method,
        "signal": output.signal,
        "lanes": output.lanes,
        "interrupt_ns": float(busy_ns * taken),
        "interrupt_characters": taken,
        "interrupt_per_character_ns": float(busy_ns),
        "interrupt_share": float(busy_ns / character_ns(profile)),
        "rearrange_ns": spec.cost.rearrange_ns,
        "burst_clocks": output.burst_clocks,
        "clock_hz": output.clock_hz,
        "burst_ns": float(output.burst_s * NS_PER_S),
        "latch_gap_ns": output.latch_gap_ns,
        "first_extra_clock_hz": first_extra_clock_hz(processor, output),
        "stop_ns": stop_ns(processor, output),
        "rise": output.rise,
    }


# --- light and notes ------------------------------------------------------------------


def _light(profile: Profile, lit: LightFigures | None) -> dict[str, Any]:
    """What the pattern would draw at most, against the cap."""
    figures = light_figures(profile)
    figures["pattern"] = profile.traffic.pattern
    figures["pattern_brightness"] = lit and lit.field.brightness
    figures["pattern_ma"] = lit and lit.field.current_ma
    figures["packets_looked_at"] = lit and lit.field.packets
    return figures


def _notes(profile: Profile) -> list[str]:
    """What the simulated node would refuse."""
    try:
        node_specs(profile)
    except ProfileError as error:
        return list(error.lines)
    return []


# --- laid out -------------------------------------------------------------------------


def sheet(figures: Mapping[str, Any], width: int = WIDTH) -> Page:
    """The page of a profile's figures."""
    page = Page(_LABELS, width)
    page.field(figures["profile"], figures["summary"], mark="good")
    page.whole("  digest", figures["digest"])
    page.blank()
    _line_fields(page, figures["line"])
    for node in figures["nodes"]:
        page.blank()
        _node_fields(page, node, figures["line"])
    page.blank()
    _light_fields(page, figures["light"])
    if figures["notes"]:
        page.blank()
    label = "not simulated"
    for note in figures["notes"]:
        page.field(label, note.removeprefix("not simulated yet: "), mark="open")
        label = ""
    return page


def _entry(page: Page, label: str, value: str, remark: str = "") -> None:
    """A figure, and what it is to be seen against."""
    room = max(page.width - _LABELS - _VALUES, LEAST // 2)
    shown, label = value.ljust(_VALUES), f"  {label}"
    for part in wrap(remark, room) or [""]:
        page.row(label, (Piece(shown), Piece(part, "faint")), "")
        shown, label = " " * _VALUES, ""


def _line_fields(page: Page, line: Mapping[str, Any]) -> None:
    page.field("line", f"{format_rate(line['baud'], 'baud')}")
    bits = f"{line['character_bits']:g} bits"
    _entry(page, "character", format_ns(line["character_ns"]), bits)
    for packet in line["packets"]:
        characters = f"{packet['characters']:.0f} characters"
        remark = f"{characters}, payload {format_count(packet['payload_octets'])}"
        if packet["packet_worst_ns"] > packet["packet_ns"]:
            remark += f"; at worst {format_ns(packet['packet_worst_ns'])}"
        _entry(page, "packet", format_ns(packet["packet_ns"]), remark)
    _entry(page, "frame", format_ns(line["frame_ns"]), frame_words(line))
    rate = f"at {format_rate(line['frame_rate_hz'], 'frames/s')}"
    if line["foreign_share"]:
        rate += f"; foreign {format_share(line['foreign_share'])} beside it"
    _entry(page, "own load", format_share(line["own_load"]), rate)
    most, worst = line["most_frame_rate_hz"], line["most_frame_rate_worst_hz"]
    remark = "own packets alone"
    if worst < most:
        remark += f"; {format_rate(worst, 'frames/s')} if every octet is stuffed"
    _entry(page, "most frame rate", format_rate(most, "frames/s"), remark)


def _node_fields(page: Page, node: Mapping[str, Any], line: Mapping[str, Any]) -> None:
    page.field("node", ", ".join(node["names"]))
    polled = node["receive"] == "poll"
    _entry(
        page,
        "polling cost" if polled else "interrupt cost",
        format_ns(node["interrupt_per_character_ns"]),
        f"a character of {format_ns(line['character_ns'])} "
        f"({format_share(node['interrupt_share'], 3)}), "
        f"{node['interrupt_characters']} at a time",
    )
    _entry(page, "rearrange", format_ns(node["rearrange_ns"]), "alone")
    _entry(page, "burst", format_ns(node["burst_ns"]), burst_words(node))
    extra = node["first_extra_clock_hz"]
    if extra is None:
        if node["signal"] == "clocked" and node["method"] == "dma":
            _entry(page, "first extra clock", "none", "stopped by count, or at once")
        return
    _entry(
        page,
        "first extra clock",
        format_rate(extra),
        f"stops after {format_ns(node['stop_ns'])}, "
        f"rises at {format_share(node['rise'])} of its period",
    )


def frame_words(line: Mapping[str, Any]) -> str:
    """What a frame is made of."""
    return (
        f"one packet {'for all nodes' if line['shared_payload'] else 'to every node'}"
    )


def burst_words(node: Mapping[str, Any]) -> str:
    """What a burst is, and how it is latched."""
    clocked = node["signal"] == "clocked"
    count = f"{format_count(node['burst_clocks'])} {'clocks' if clocked else 'bits'}"
    rate = format_rate(node["clock_hz"], "Hz" if clocked else "baud")
    turns = ""
    if node["method"] == "port":
        turns = f" for each of {node['lanes']} lanes in turn"
    return f"{count} at {rate}{turns}, then {format_ns(node['latch_gap_ns'])} to latch"


def _light_fields(page: Page, light: Mapping[str, Any]) -> None:
    page.field("light", "of all nodes; nothing is lit by simulated ones")
    cap = format_share(light["cap"])
    full = light["full_ma"]
    amperes = "not stated" if full is None else _amperes(light["cap_ma"])
    of = "" if full is None else f" of {_amperes(full)}"
    _entry(page, "cap", amperes, f"{cap}{of}")
    brightness = light["pattern_brightness"]
    if brightness is None:
        return
    drawn = light["pattern_ma"]
    remark = f"{format_share(brightness, 3)} at most, pattern {light['pattern']}"
    if brightness > light["cap"]:
        remark += ", above the cap"
    _entry(page, "pattern", "not stated" if drawn is None else _amperes(drawn), remark)


def _amperes(ma: float) -> str:
    return f"{ma / 1000:.4g} A"
