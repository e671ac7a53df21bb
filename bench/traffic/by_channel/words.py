"""From the text of a pattern by channel to its selections.

Every part of a text is looked at by itself; what it says is all that is asked here, not
whether there is such a lane or such a channel.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError, Fault, ProfileError
from bench.base.units import DURATION, SHARE, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["BY_CHANNEL", "COUNTED", "DIM", "Selection", "Words", "fault"]

BY_CHANNEL = (
    ("lane 3, device 7, red, dim", "that channel of every node, nothing else"),
    ("node ebb, lane 3, 20 %", "any part may be left out; also off and full"),
    ("dim; lane 3, off", "one after the other, the later over the earlier"),
    ("each channel, full", "every channel in turn, a second each"),
    ("lane 3, each device, red, 500 ms", "the devices of a lane in turn"),
)
"""Examples of patterns by channel, and what they light."""

COUNTED = ("lane", "device", "channel")

DIM = 0.1
"""Under any sensible cap with everything lit, and still seen from some steps away."""

_LEVELS = {"off": 0.0, "dim": DIM, "full": 1.0}

_MOST_DIGITS = 6
"""No lane, device or channel has a longer number."""

_MOST_NAMES = 200
"""Signs of a list of nodes in a line that a person reads."""


def fault(what: str, value: str, expected: str, mend: str = "") -> ProfileError:
    """What is wrong with a pattern."""
    return ProfileError([Fault(what, shown(value), expected, "traffic.pattern", mend)])


@dataclass(frozen=True, slots=True)
class Selection:
    """What one selection says.

    Attributes:
        values: By "node", "lane", "device", "channel", "name", "each", "level" (a
            share) and "hold" (ns); without what it does not say.
        parts: The same as it was written.
    """

    values: dict[str, Any] = field(default_factory=dict)
    parts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Words:
    """The names that a text may use.

    Attributes:
        nodes: Of the nodes.
        channels: Of the channels of all nodes.
    """

    nodes: Sequence[str]
    channels: Sequence[str]

    def speak(self, text: str) -> bool:
        """Whether a text speaks of channels at all, rightly or not."""
        return text in self.singles or any(sign in text for sign in " ,;%")

    @property
    def singles(self) -> list[str]:
        """Patterns of one word."""
        return [*_LEVELS, *self.channels]

    def selections(self, text: str) -> list[Selection]:
        """The selections of a text.

        Raises:
            ProfileError: For the first part that says nothing, or nothing new.
        """
        found = [self._selection(part) for part in text.split(";")]
        walks = [one.parts["each"] for one in found if "each" in one.parts]
        if len(walks) > 1:
            expected = f"one; the first is {walks[0]}"
            raise fault("second selection in turn", walks[1], expected)
        return found

    def _selection(self, text: str) -> Selection:
        found = Selection()
        for part in (" ".join(part.split()) for part in text.split(",")):
            key, value = self._part(part)
            if key in found.parts:
                mend = "a semicolon parts selections"
                raise fault("said twice", part, f"{found.parts[key]} alone", mend)
            found.parts[key], found.values[key] = part, value
        if "hold" in found.parts and "each" not in found.parts:
            expected = "each lane, each device or each channel beside it"
            raise fault("time without use", found.parts["hold"], expected)
        return found

    def _part(self, part: str) -> tuple[str, Any]:
        """What one part says, and its value."""
        head, _, rest = part.partition(" ")
        number = rest.isascii() and rest.isdecimal() and len(rest) <= _MOST_DIGITS
        if head in COUNTED and number:
            return head, int(rest)
        if head == "each" and rest in COUNTED:
            return head, rest
        if head == "node" and rest:
            if rest not in self.nodes:
                expected = shown(", ".join(self.nodes), _MOST_NAMES)
                mend = _near(rest, self.nodes)
                raise fault("no such node", rest, expected, mend)
            return head, rest
        if part in _LEVELS:
            return "level", _LEVELS[part]
        if part in self.channels:
            return "name", part
        if part[:1] in set("+-.0123456789"):
            return _quantity(part)
        raise self._unknown(part)

    def _unknown(self, part: str) -> ProfileError:
        """A part that says nothing: what there is, and what is nearest."""
        names = f"{', '.join(self.channels)}, " if self.channels else ""
        expected = f"node, lane, device, channel or each, {names}off, dim, full, "
        mend = _near(part, self.singles)
        if not mend and not self.channels:
            mend = "channels are named in output.channel.layout"
        head, _, rest = part.partition(" ")
        if heads := get_close_matches(head.lower(), (*COUNTED, "node", "each"), n=1):
            mend = f"did you mean {heads[0]} {_after(heads[0], rest)}?"
        what = "no part of a pattern"
        return fault(what, part, f"{expected}a share or a time", mend)


def _after(head: str, rest: str) -> str:
    """What may follow such a word, as near as can be to what did."""
    if head == "node":
        return rest or "NAME"
    if head == "each":
        return (get_close_matches(rest.lower(), COUNTED, n=1) or ["device"])[0]
    return rest if rest.isascii() and rest.isdecimal() else "N"


def _near(given: str, known: Sequence[str]) -> str:
    """The nearest that there is, in the words of a fault."""
    near = get_close_matches(given.lower(), known, n=1)
    return f"did you mean {near[0]}?" if near else ""


def _quantity(part: str) -> tuple[str, Any]:
    """A share or a time."""
    try:
        if part.endswith("%"):
            return "level", SHARE.parse(part, "traffic.pattern")
        return "hold", DURATION.parse(part, "traffic.pattern")
    except BenchError as error:
        raise ProfileError([error.fault]) from error
