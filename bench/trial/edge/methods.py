"""Named methods of RFC 2544, whose "frame" is our packet.

    throughput   section 26.1: the fastest rate at which no packet offered is lost
    loss-steps   section 26.3: the loss rate at the most, a tenth less, and so on, until
                 two rates in a row lose nothing
    recovery     section 26.5: after more than throughput, how long it takes at half of
                 it until nothing is lost any more
    reset        section 26.6: from the last packet shown before a reset to the first
                 one after it

A rate is a frame rate, in whole hertz: each of our frames is one packet to every node.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import ceil, floor
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, ProfileError
from bench.traffic.load import costs_of, intended_load, most_frame_rate
from bench.trial.edge.find import NoChange, find

if TYPE_CHECKING:
    from bench.profile.model import Profile
    from bench.trial.edge.find import Quest
    from bench.trial.edge.probe import Prober, Tried
    from bench.trial.sweep.template import Template

RATE = "traffic.frame_rate"
"""What these methods vary."""

STEP = Fraction(1, 10)
"""Of the most, from one step to the next (RFC 2544, section 26.3: 10 % or less)."""

IN_A_ROW = 2
"""Steps that lose nothing, after which no lower one is tried (likewise)."""

METHODS = {
    "throughput": ("highest rate without a loss", "26.1 throughput"),
    "loss-steps": ("loss in steps down from the most", "26.3 frame loss rate"),
    "recovery": ("time to get over too much traffic", "26.5 system recovery"),
    "reset": ("time to show again after a reset", "26.6 reset"),
}
"""Each method in our words, and the RFC's section and words."""


LOSS_ONLY = ("accept.latency=", "accept.skew=")
"""These methods are about loss: what is shown late is shown."""


@dataclass(frozen=True, slots=True)
class Rates:
    """Frame rates of one profile.

    Attributes:
        most: The highest that the line has room for, foreign traffic included.
        template: The profile.
    """

    most: int
    template: Template

    @classmethod
    def of(cls, template: Template) -> Rates:
        """Those of a profile.

        Raises:
            ProfileError: If the line has room for none, or the rate means nothing.
        """
        profile = template.profile()
        if profile.traffic.pacing == "flood":
            mend = "traffic.pacing = packed or timed"
            what = "flood pacing sends at one rate only"
            raise ProfileError([Fault(what, where="traffic.pacing", mend=mend)])
        room = 1 - Fraction(str(profile.traffic.foreign.share))
        most = floor(Fraction(str(most_frame_rate(profile))) * room)
        if most < 1:
            what = "the line has no room for one frame a second"
            raise ProfileError([Fault(what, where=RATE)])
        return cls(most, template)

    def at(self, rate: int) -> Profile:
        """The profile at a rate."""
        return self.template.profile([f"{RATE}={rate} Hz"])

    def told(self, rate: int) -> dict[str, Any]:
        """A rate in everything that it means, as strict JSON."""
        profile = self.at(rate)
        packets = len(profile.node) if not profile.packet.shared else 1
        costs = costs_of(profile)
        octets = sum(
            costs.format.layout.head + size + costs.format.layout.tail
            for size in costs.sizes
        )
        return {
            "frame_rate_hz": rate,
            "packets_per_second": rate * packets,
            "octets_per_second": rate * octets,
            "intended_load": intended_load(profile),
            "share_of_most": rate / self.most,
        }


def throughput(quest: Quest, prober: Prober, rates: Rates) -> dict[str, Any]:
    """The highest rate without a loss; its ends are 1 Hz and the most.

    Returns:
        As strict JSON; the edge is in it where there is one.
    """
    try:
        edge = find(quest, prober)
        rate = int(edge["last_good"])
    except NoChange as same:
        if not same.good:
            worst = min(same.ends, key=lambda end: end.value).worst
            return {"throughput": None, "edge": None, "cause": worst["cause"]}
        edge, rate = None, rates.most
    cause = edge["cause"] if edge else ""
    return {"throughput": rates.told(rate), "edge": edge, "cause": cause}


def loss_steps(prober: Prober, rates: Rates) -> list[dict[str, Any]]:
    """The loss rate at each step, as strict JSON."""
    steps: list[dict[str, Any]] = []
    clean, share = 0, Fraction(1)
    seen: set[int] = set()
    while share > 0 and clean < IN_A_ROW:
        rate = max(1, floor(rates.most * share))
        if rate not in seen:
            tried = prober.decide(Fraction(rate))
            clean = clean + 1 if _loses_nothing(tried) else 0
            steps.append({**rates.told(rate), **tried.as_dict()})
            seen.add(rate)
        share -= STEP
    return steps


def overload(rate: int, rates: Rates) -> int:
    """A tenth more than a rate, or the most."""
    return min(rates.most, ceil(rate * (1 + STEP)))


def _loses_nothing(tried: Tried) -> bool:
    offered = tried.count("offered")
    return bool(offered) and tried.count("shown") == offered
