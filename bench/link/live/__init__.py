"""The live link: a transport in real time, as one more way to reach nodes."""

from bench.link.live.ears import Ear
from bench.link.live.link import LiveLink
from bench.link.live.rules import LEAD_NS, REFUSE_NS, LiveRules

__all__ = ["LEAD_NS", "REFUSE_NS", "Ear", "LiveLink", "LiveRules"]
