"""A bus with nobody on it: the line alone, and a link that sees nothing.

For looking at an adapter, a cable and a scope before there is a profile.  The tables
that a profile cannot do without are filled in, and nothing of them is used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.columns import DROPPED, LOST, SHOWN, Seen, no_octets, no_rows
from bench.base.errors import Fault, ProfileError
from bench.link.evidence import NO_EVIDENCE
from bench.link.observes import Observes
from bench.profile import profile_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from bench.base.columns import Line, Sent
    from bench.link.evidence import Evidence
    from bench.profile import Profile

_FILLED_IN: dict[str, Any] = {
    "profile": 1,
    "name": "bare-line",
    "summary": "a line with nobody on it: of this file only [bus] was used",
    "bus": {},
    "packet": {
        "framing": "silence",
        "silence": "1 ms",
        "fields": [{"kind": "payload"}],
    },
    "processor": {"interrupt": {"per_character": "1 us"}},
    "output": {
        "lanes": 1,
        "devices": 1,
        "register_bits": 8,
        "clock": "1 MHz",
        "latch_gap": "1 ms",
    },
    "node": [{"name": "nobody", "address": 0}],
    "traffic": {"frame_rate": "1 Hz", "pacing": "flood"},
}

NOTHING = Observes(
    shown=False,
    data=False,
    clocks=False,
    marginal=False,
    times=False,
    dropped=False,
    lost=False,
)
"""What such a link sees."""


def bare_profile(overrides: Sequence[str]) -> Profile:
    """The profile of a line alone.

    Args:
        overrides: Values of `[bus]` by their dotted paths; `bus.baud` at least.

    Raises:
        ProfileError: If they are at fault, or set anything but the bus.
    """
    strangers = [text for text in overrides if not text.strip().startswith("bus.")]
    if strangers:
        what = "nothing but the bus can be set without a profile"
        faults = [Fault(what, text, "bus.…", "--set") for text in strangers]
        raise ProfileError(faults)
    if not any(text.partition("=")[0].strip() == "bus.baud" for text in overrides):
        raise ProfileError([Fault("no baud rate", "", "bus.baud=…", "--set")])
    return profile_of(_FILLED_IN, overrides)


def nobody_on(profile: Profile) -> bool:
    """Whether a profile is that of a line alone."""
    return bool(profile.name == _FILLED_IN["name"])


class OpenEnd:
    """A link to nobody: it takes every character and sees nothing."""

    name = "open end"
    most_octets = None

    @property
    def observes(self) -> Observes:
        """Nothing at all."""
        return NOTHING

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:  # noqa: ARG002
        """See `Link.carry`."""
        rows = no_rows(SHOWN), no_octets(), no_rows(DROPPED), no_rows(LOST)
        return Seen(*rows, line.until_ns)

    def evidence(self) -> Evidence:
        """See `Link.evidence`."""
        return NO_EVIDENCE

    def close(self) -> None:
        """See `Link.close`."""

    def __enter__(self) -> OpenEnd:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...
