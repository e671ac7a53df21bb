"""Plain twin of the patterns by channel: channel by channel from what the text says."""

from __future__ import annotations

from fractions import Fraction

from . import channels_twin

_LEVELS = {"off": Fraction(0), "dim": Fraction(1, 10), "full": Fraction(1)}
_SECONDS = {"s": Fraction(1), "ms": Fraction(1, 1000)}


class Lights:
    """What a text lights at nodes of these outputs and names.

    Args:
        text: The pattern.
        outputs: Tables as `channels_twin` takes them, one a node.
        names: Of the nodes.
        rate: Frames a second.
    """

    def __init__(
        self, text: str, outputs: list[dict], names: list[str], rate: int
    ) -> None:
        self.outputs = outputs
        self.rate = rate
        nodes = [channels_twin.channels(output) for output in outputs]
        self.every = [
            [{**one, "node": name} for one in channels]
            for name, channels in zip(names, nodes, strict=True)
        ]
        self.still, self.walks = [], []
        for selection in text.split(";"):
            parts = [part.split() for part in selection.split(",")]
            walks = any(part[0] == "each" for part in parts)
            (self.walks if walks else self.still).append(parts)

    def payload(self, frame: int, node: int) -> bytes:
        """The payload of one node in one frame."""
        channels = self.every[node]
        levels = [0] * len(channels)
        for parts in self.still:
            for k in _lit(channels, parts):
                levels[k] = _level(parts, channels[k])
        for parts in self.walks:
            for k in self._turn(frame, node, parts):
                levels[k] = _level(parts, channels[k])
        return channels_twin.payload(self.outputs[node], levels)

    def says_nothing(self) -> bool:
        """Whether a selection is of channels that no node has."""
        return any(
            not any(_lit(channels, parts) for channels in self.every)
            for parts in self.still + self.walks
        )

    def _turn(self, frame: int, node: int, parts: list[list[str]]) -> list[int]:
        """The channels of a node whose turn it is."""
        groups = [_groups(channels, parts) for channels in self.every]
        seconds = Fraction(1)
        for part in parts:
            if len(part) == 2 and part[1] in _SECONDS:
                seconds = Fraction(part[0]) * _SECONDS[part[1]]
        hold = max(1, round(seconds * self.rate))
        turn = frame // hold % max(len(group) for group in groups)
        return groups[node][turn] if turn < len(groups[node]) else []


def _lit(channels: list[dict], parts: list[list[str]]) -> list[int]:
    """Which channels are all of what the parts say."""
    lit = list(range(len(channels)))
    for part in parts:
        if part[0] in ("lane", "device", "channel"):
            lit = [k for k in lit if channels[k][part[0]] == int(part[1])]
        elif part[0] == "node":
            lit = [k for k in lit if channels[k]["node"] == part[1]]
        elif len(part) == 1 and part[0] not in _LEVELS:
            lit = [k for k in lit if channels[k]["name"] == part[0]]
    return lit


def _groups(channels: list[dict], parts: list[list[str]]) -> list[list[int]]:
    """Which channels are lit together, one group a turn."""
    (each,) = [part[1] for part in parts if part[0] == "each"]
    keys = {"lane": ["lane"], "device": ["lane", "device"]}.get(each)
    groups: dict[tuple, list[int]] = {}
    for k in _lit(channels, parts):
        key = tuple(channels[k][one] for one in keys) if keys else (k,)
        groups.setdefault(key, []).append(k)
    return list(groups.values())


def _level(parts: list[list[str]], channel: dict) -> int:
    """How bright: rounded down, but not to nothing."""
    share = _LEVELS["dim"]
    for part in parts:
        if part[0] in _LEVELS:
            share = _LEVELS[part[0]]
        elif part[-1] == "%":
            share = Fraction(part[0]) / 100
    full = 2 ** len(channel["places"]) - 1
    return max(int(share * full), 1 if share else 0)
