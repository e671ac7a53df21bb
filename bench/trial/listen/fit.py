"""Whether the traffic that was heard fits what the profile's boards can do.

What was measured is put into a copy of the profile: how often frames come, how much of
the line foreign packets take, and how long they are.  The budget of that copy is the
answer.  Nothing is asked of the budget where too little was heard for a frame rate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError, ProfileError
from bench.budget import budget
from bench.profile import profile_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.profile import Profile

FEWEST_PERIODS = 10
"""Of an address, before its rate is taken for a frame rate."""

_DECIMALS = 3
"""Of a share in percent: more than any host can time it to."""


def measured(profile: Profile, figures: Mapping[str, Any]) -> list[str]:
    """What was heard, as overrides of the profile; empty where it is too little.

    The frame rate is that of the node whose packets come most often, by the median of
    its periods, in whole Hz as a profile has it, 1 at least.

    Args:
        profile: The profile.
        figures: Of a `Listening`.
    """
    heard = figures["addresses"]
    own = [one for one in heard if one["kind"] in ("own", "every")]
    periods = [
        one["period_ns"]["p50"]
        for one in own
        if one["period_ns"] and one["period_ns"]["n"] >= FEWEST_PERIODS
    ]
    if not periods or min(periods) <= 0:
        return []
    strangers = [one for one in heard if one["kind"] in ("foreign", "unknown")]
    share = sum(one["load"] for one in strangers)
    overrides = [
        f"traffic.frame_rate={max(1, round(1e9 / min(periods)))} Hz",
        f"traffic.foreign.share={100 * min(share, 1.0):.{_DECIMALS}f} %",
    ]
    if profile.traffic.pacing == "flood":  # which knows no frame rate
        overrides.append("traffic.pacing=timed")
    addresses = sorted({one["address"] for one in strangers})
    sizes = sorted({size for one in strangers for size, _ in one["looks"]["sizes"]})
    if addresses:
        overrides.append(f"traffic.foreign.addresses={addresses}")
        overrides.append(f"traffic.foreign.lengths={sizes}")
    return overrides


def odd_sizes(profile: Profile, figures: Mapping[str, Any]) -> list[str]:
    """Own packets whose payloads do not fill the lanes of their node, a sentence each.

    A node drops such packets, so no budget of them means anything.
    """
    wanted = {node.name: node.output.payload_octets for node in profile.node}
    said = []
    for one in figures["addresses"]:
        fills = wanted.get(one["name"])
        if one["kind"] != "own" or one["looks"] is None or profile.packet.shared:
            continue
        odd = {size: n for size, n in one["looks"]["sizes"] if size != fills}
        if odd:
            sizes = ", ".join(f"{n} of {size}" for size, n in odd.items())
            said.append(
                f"{one['name']} is sent payloads that do not fill its lanes "
                f"({sizes} octets, expected {fills})"
            )
    return said


def fit(profile: Profile, figures: Mapping[str, Any]) -> dict[str, Any]:
    """Whether what was heard fits, as strict JSON.

    Returns:
        `fits` is None where that cannot be said; `why` then says why.  Else `tightest`
        names the line with the least margin, `broken` every limit that is passed, and
        `lines` hold all of the budget, unless a rule of profiles says no before (`why`
        then says which).  `overrides` are what was put into the profile.
    """
    overrides = measured(profile, figures)
    told: dict[str, Any] = {"fits": None, "overrides": overrides, "broken": []}
    told |= {"tightest": None, "lines": [], "why": ""}
    if not overrides:
        return told | {"why": f"no node was sent {FEWEST_PERIODS + 1} packets"}
    try:
        made = budget(profile_of(profile.dump(), overrides))
    except ProfileError as error:
        # The profile kept its rules before: what was measured does not.
        whats = [fault.what for fault in error.faults]
        why = {"why": error.lines[0], "broken": whats, "tightest": whats[0]}
        return told | {"fits": False} | why
    except BenchError as error:
        return told | {"why": error.lines[0]}
    lines = made.as_dict()["lines"]
    broken = [line.name for line in made.judged if not line.holds]
    return told | {
        "fits": made.fits,
        "tightest": made.tightest,
        "broken": broken,
        "lines": lines,
    }
