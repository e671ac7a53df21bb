"""How a live link behaves: what is the plan's, what is the host's, and how long."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bench.link.pacer import PacingRules

NS_PER_MS = 1_000_000

LEAD_NS = 20 * NS_PER_MS
"""Unless told otherwise.  A desktop that is late is so by 17 ms at worst (measured on a
shared virtual machine); what is changed while traffic runs takes effect after it."""

REFUSE_NS = 5_000 * NS_PER_MS
"""Unless told otherwise: whoever reads at all has read something by then."""


@dataclass(frozen=True, slots=True)
class LiveRules:
    """How a live link behaves.

    Attributes:
        pacing: How the plan places packets.
        silence_ns: Between two runs the line rests at least so long, however late the
            host is: a framing by silence would else join two packets.
        lead_ns: Characters are handed over no earlier than so long before their start
            bit is due; how long after the first call the trial begins, too.
        piece_ns: Time on the line of what is handed over at once.
        listen_ns: How long the link listens before its first character; 0 where what
            comes back is not the bus.
        refuse_ns: A transport that accepts nothing for so long does not read.
        reopen_ns: How long a lost transport is waited for; 0: not at all.
        realtime: Whether to ask for real-time priority.
        measured_baud: What the adapter's bit rate was measured to be; None: it was not.
    """

    pacing: Literal["packed", "timed", "flood"] = "packed"
    silence_ns: int = 0
    lead_ns: int = LEAD_NS
    piece_ns: int = 2 * NS_PER_MS
    listen_ns: int = 100 * NS_PER_MS
    refuse_ns: int = REFUSE_NS
    reopen_ns: int = 0
    realtime: bool = False
    measured_baud: float | None = None

    @property
    def placing(self) -> PacingRules:
        """How the starts of runs are placed.

        Only `timed` catches up: elsewhere the line has no room for it, so whatever the
        host is late by moves the plan.
        """
        rules = PacingRules()
        if self.pacing == "timed":
            return rules
        return PacingRules(spin_ns=rules.spin_ns, catch_up_ns=0)
