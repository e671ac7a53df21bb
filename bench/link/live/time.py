"""The time of a trial on the bench's clock: it begins once, and moves with the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.link.pacer import Pacer


class TrialTime:
    """Puts instants of the plan on the clock, and instants of the clock on the trial.

    Attributes:
        zero_ns: Instant of the clock at which the trial began; None before.
        held_ns: Instant of the clock from which on the plan stands still, since nothing
            can be sent; None: it does not.
    """

    def __init__(self, pacer: Pacer) -> None:
        self._pacer = pacer
        self._latest_ns = -(1 << 62)
        self.zero_ns: int | None = None
        self.held_ns: int | None = None

    def unmoved(self, plan_ns: int) -> int:
        """Instant of the clock of one of the plan, as if it had never moved."""
        assert self.zero_ns is not None
        return self.zero_ns + plan_ns

    def at(self, plan_ns: int) -> int:
        """Instant of the clock of one of the plan."""
        return self.unmoved(plan_ns) + self._pacer.shift_ns

    def trial_ns(self, at_ns: int) -> int:
        """Instant of the trial of one of the clock; it never goes back."""
        assert self.zero_ns is not None
        if self.held_ns is not None:
            at_ns = min(at_ns, self.held_ns)
        ns = at_ns - self.zero_ns - self._pacer.shift_ns
        self._latest_ns = max(self._latest_ns, ns)
        return self._latest_ns

    def of_plan(self, at_ns: int) -> int:
        """Instant of the plan of one of the clock, as it has been moved by now."""
        assert self.zero_ns is not None
        return at_ns - self.zero_ns - self._pacer.shift_ns

    def hold(self, at_ns: int) -> None:
        """Let the plan stand still from an instant of the clock on, if it does not."""
        if self.held_ns is None:
            self.held_ns = at_ns
