"""The line: characters, packets, frames, load, and what there is room for.

Times are those of the worst stuffing, so that they hold whatever is shown.
"""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import TYPE_CHECKING, Any

from bench.base.grid import NS_PER_S
from bench.budget.bus.pace import least_ns
from bench.budget.line import BudgetLine
from bench.traffic.load import costs_of, own_load, worst_costs

if TYPE_CHECKING:
    from bench.budget.bus.pace import Paces
    from bench.profile.model import Profile
    from bench.traffic.load import Costs

_PART = "bus"


def bus_lines(profile: Profile) -> list[BudgetLine]:
    """What the traffic asks of the line."""
    costs = worst_costs(profile)
    rate = Fraction(str(profile.traffic.frame_rate_hz))
    frame = costs.frame_ns(worst=True)
    own, foreign = frame * rate / NS_PER_S, foreign_share(profile)
    flood = profile.traffic.pacing == "flood"
    most = NS_PER_S * (1 - foreign) / frame
    longest = max(costs.packet_ns(size, worst=True) for size in costs.sizes)
    return [
        BudgetLine(
            "character",
            _PART,
            "ns",
            character_ns(profile),
            formula="(1 + data + parity + stop bits) / baud",
        ),
        BudgetLine(
            "packet",
            _PART,
            "ns",
            longest,
            formula="(characters, stuffed at worst) x pitch + break or silence",
            note=f"{_characters(costs, longest)} characters at worst",
        ),
        BudgetLine(
            "frame",
            _PART,
            "ns",
            frame,
            None if flood else Fraction(NS_PER_S) / rate,
            aside=True,
            formula="own packets of a frame, broadcast in part <= 1 / frame rate",
            note="the longest own packets, one after another",
        ),
        BudgetLine(
            "bus load",
            _PART,
            "share",
            None if flood else own + foreign,
            1,
            formula="frame x frame rate + foreign share <= 1",
            note=f"own {_percent(own)}, foreign {_percent(foreign)}",
            missing="flooded: all of it, whatever is asked" if flood else "",
        ),
        BudgetLine(
            "frame rate",
            _PART,
            "frames/s",
            rate,
            None if flood else most,
            aside=True,
            formula="frame rate <= (1 - foreign share) / frame",
            source="as RFC 2544, appendix B, counts frames",
        ),
        _room(profile, costs, own + foreign),
        _foreign(profile, costs, own, foreign),
    ]


def foreign_share(profile: Profile) -> Fraction:
    """The share of the line's time that foreign packets are given."""
    return Fraction(str(profile.traffic.foreign.share))


def character_ns(profile: Profile) -> Fraction:
    """A character's time."""
    grid = profile.bus.character
    return Fraction(grid.num, grid.den)


def _characters(costs: Costs, packet_ns: Fraction) -> int:
    return round((packet_ns - costs.around_ns) / costs.pitch_ns)


def _percent(share: Fraction) -> str:
    return f"{100 * float(share):.4g} %"


def _room(profile: Profile, costs: Costs, load: Fraction) -> BudgetLine:
    """How many more nodes like the last there is time for."""
    formula = "(1 - load) / (packet x frame rate), rounded down"
    name, unit = "room for nodes", "nodes"
    if costs.shared or profile.traffic.pacing == "flood":
        why = "one packet serves all" if costs.shared else "flooded"
        return BudgetLine(name, _PART, unit, formula=formula, missing=why)
    rate = Fraction(str(profile.traffic.frame_rate_hz))
    one = costs.packet_ns(costs.sizes[-1], worst=True) * rate / NS_PER_S
    more = max(0, floor((1 - load) / one))
    note = f"beside the {len(profile.node)} that there are"
    return BudgetLine(name, _PART, unit, more, formula=formula, note=note)


def _foreign(
    profile: Profile, costs: Costs, own: Fraction, foreign: Fraction
) -> BudgetLine:
    """How much of the line is left for others."""
    flood = profile.traffic.pacing == "flood"
    note = ""
    if foreign and not flood and not _fits_between(profile, costs):
        note = "none is sent: a packet stuffed at worst fits in no gap"
    return BudgetLine(
        "foreign traffic",
        _PART,
        "share",
        foreign,
        None if flood else max(Fraction(0), 1 - own),
        aside=True,
        formula="foreign share <= 1 - own load",
        note=note,
    )


def _fits_between(profile: Profile, costs: Costs) -> bool:
    """Whether the shortest foreign packet fits between two own ones, dither included.

    The schedule sends one only where it fits however it is stuffed.
    """
    traffic = profile.traffic
    period = NS_PER_S / Fraction(str(traffic.frame_rate_hz))
    own = [least_ns(costs, size) for size in costs.sizes]
    gap = period - sum(own, Fraction(0))
    if traffic.spread == "even":
        gap = period / len(own) - min(own)
    gap *= 1 + Fraction(str(traffic.dither))
    sizes = traffic.foreign.lengths or costs.sizes
    return min(costs.packet_ns(size, worst=True) for size in sizes) <= gap


def skew_line(
    profile: Profile, paces: Paces, worst: Fraction | None, best: Fraction | None
) -> BudgetLine:
    """How far apart the nodes show one frame.

    Args:
        profile: The profile.
        paces: When packets come.
        worst: The greatest latency of any node.
        best: The least.
    """
    name, limit = "skew", profile.accept.skew_ns
    formula = "last bits of a frame's packets, first to last + worst - best latency"
    missing = ""
    if paces.spread_ns is None:
        missing = "the traffic keeps no frames"
    elif worst is None or best is None:
        missing = "a latency has no bound"
    value = None
    synced = all(node.processor.show == "sync" for node in profile.node)
    if not missing and worst is not None and best is not None:
        value = worst - best
        if not synced:
            value += paces.spread_ns or 0
    source = "" if limit else "no limit stated: accept.skew"
    return BudgetLine(
        name,
        _PART,
        "ns",
        value,
        limit,
        formula=formula,
        missing=missing,
        note=source,
    )


# --- figures of a profile -------------------------------------------------------------


def line_figures(profile: Profile) -> dict[str, Any]:
    """Characters, packets and frames, as the pattern stuffs them on average."""
    costs = costs_of(profile)
    return {
        "baud": profile.bus.baud,
        "character_ns": float(character_ns(profile)),
        "character_bits": float(character_ns(profile) * profile.bus.baud / NS_PER_S),
        "packets": [_packet_figures(costs, size) for size in sorted(set(costs.sizes))],
        "shared_payload": costs.shared,
        "frame_ns": float(costs.frame_ns()),
        "frame_rate_hz": float(profile.traffic.frame_rate_hz),
        "own_load": float(own_load(profile, costs)),
        "foreign_share": profile.traffic.foreign.share,
        "most_frame_rate_hz": float(NS_PER_S / costs.frame_ns()),
        "most_frame_rate_worst_hz": float(NS_PER_S / costs.frame_ns(worst=True)),
    }


def _packet_figures(costs: Costs, size: int) -> dict[str, Any]:
    """One packet, with the stuffing that the pattern takes, and with the most."""
    on_line = {
        name: costs.packet_ns(size, worst=worst)
        for name, worst in (("packet_ns", False), ("packet_worst_ns", True))
    }
    characters = (on_line["packet_ns"] - costs.around_ns) / costs.pitch_ns
    return {
        "payload_octets": size,
        "characters": float(characters),
        **{name: float(ns) for name, ns in on_line.items()},
    }
