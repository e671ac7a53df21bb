"""What is sent to nodes and what they did, as a test compares it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.base.errors import Fault, LinkError
from bench.link.lines import parse_line
from bench.strategies.sent import Piece, Run, Traffic

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.profile import Profile

__all__ = ["Did", "did_by_lines", "traffic_of"]


@dataclass
class Did:
    """What the nodes of a profile did, each by its name.

    Attributes:
        shown: What its chains held whenever they latched, in order; None where that
            was not told.
        clocks: How many clocks each of those bursts had; None likewise.
        dropped: Why it did not show packets, in order, by the words of sighting lines.
        lost: Characters that its receiver lost.
        said: What a program printed that was no sighting.
    """

    shown: dict[str, list[bytes | None]]
    clocks: dict[str, list[int | None]]
    dropped: dict[str, list[str]]
    lost: dict[str, int]
    said: list[str] = field(default_factory=list)

    @classmethod
    def nothing(cls, profile: Profile) -> Did:
        """Nothing yet, for every node of a profile."""
        names = [node.name for node in profile.node]
        return cls(
            {name: [] for name in names},
            {name: [] for name in names},
            {name: [] for name in names},
            dict.fromkeys(names, 0),
        )


def traffic_of(profile: Profile, sent: Traffic | Piece | bytes) -> Traffic:
    """Whatever a test sends, as traffic."""
    if isinstance(sent, Traffic):
        return sent
    if isinstance(sent, Piece):
        return Traffic(profile, (sent,))
    return Traffic(profile, (Piece("octets", (Run(bytes(sent)),)),))


def did_by_lines(profile: Profile, text: str) -> Did:
    """What the sighting lines of a program say.

    Raises:
        LinkError: If one speaks of a node that is not there, or says no octets.
    """
    did = Did.nothing(profile)
    for line in text.splitlines():
        parsed = parse_line(line)
        if parsed is None or parsed[0] not in ("shown", "dropped", "lost"):
            did.said.append(line)
            continue
        word, values = parsed
        name = _named(profile, values.get("node", ""), line)
        if word == "dropped":
            did.dropped[name].append(values.get("reason", ""))
        elif word == "lost":
            did.lost[name] += _number(values, "characters", line) or 0
        else:
            did.shown[name].append(_octets(values, line))
            did.clocks[name].append(_number(values, "clocks", line))
    return did


def _named(profile: Profile, node: str, line: str) -> str:
    """The name of the node that a line speaks of, by its name or its address."""
    for one in profile.node:
        if node in (one.name, str(one.address)):
            return one.name
    names: Iterable[str] = (f"{one.address} or {one.name}" for one in profile.node)
    raise LinkError(Fault("a sighting of nobody", line, " or ".join(names)))


def _number(values: dict[str, str], key: str, line: str) -> int | None:
    text = values.get(key)
    if text is None:
        return None
    if not text.isdecimal():
        raise LinkError(Fault("a sighting without a number", line, f"{key}=<number>"))
    return int(text)


def _octets(values: dict[str, str], line: str) -> bytes | None:
    text = values.get("octets")
    try:
        return None if text is None else bytes.fromhex(text)
    except ValueError:
        expected = "octets=<pairs of hexadecimal digits>"
        raise LinkError(Fault("a sighting without octets", line, expected)) from None
