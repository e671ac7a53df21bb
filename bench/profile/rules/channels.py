"""Rules about the channel map: every channel has bits of its own in its register.

The map is looked at as it is for most lanes, and again for every exception that has
other channels or other devices.  Whoever works with a map asks `map_faults` first: a
profile may come from elsewhere than the loader.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault
from bench.profile.model.channels import PATTERN_WORDS, lane_layout
from bench.profile.rules.rule import Broken, NodeRule, broken
from bench.profile.tables import dotted

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from bench.profile.model import LaneChannels, Output, Profile
    from bench.profile.schema import Path

    MapRule = Callable[[Output, Path], Iterator[Broken]]

_SHAPES = ("bits", "red", "layout", "register_bits")
"""What may make channels misfit; without any of them an exception is no other case."""


@dataclass(frozen=True)
class _Lanes:
    """The lanes of an exception, or all others.

    Attributes:
        output: Whose lanes they are.
        path: Of the output.
        exception: What they have different; None for all others.
        index: Of the exception.
    """

    output: Output
    path: Path
    exception: LaneChannels | None = None
    index: int = 0

    def _own(self, key: str) -> Any:
        return None if self.exception is None else getattr(self.exception, key)

    def says(self, key: str) -> bool:
        """Whether it is these very lanes of which something is said."""
        return self.exception is None or self._own(key) is not None

    def value(self, key: str) -> Any:
        """What is said of these lanes: by the exception, else for all."""
        own = self._own(key)
        return getattr(self.output.channel, key) if own is None else own

    def place(self, key: str) -> Path:
        """Where that is said."""
        channel: Path = (*self.path, "channel")
        if self._own(key) is not None:
            return (*channel, "lane", self.index, key)
        return (*self.path, key) if key == "register_bits" else (*channel, key)


def _each(output: Output, path: Path) -> Iterator[_Lanes]:
    """Most lanes of an output, then those of every exception with other channels."""
    yield _Lanes(output, path)
    for index, exception in enumerate(output.channel.lane):
        if any(getattr(exception, key) is not None for key in _SHAPES):
            yield _Lanes(output, path, exception, index)


# --- channels -------------------------------------------------------------------------


def channels_fit_register(output: Output, path: Path) -> Iterator[Broken]:
    """A device's register holds its channels, and the red ones are among them."""
    for lanes in _each(output, path):
        held = lane_layout(output, lanes.exception)
        size, register = held.register_bits, lanes.place("register_bits")
        bits, channels = lanes.value("bits"), len(held.channels)
        if lanes.value("layout"):
            limit = (f"bits 0 to {size - 1}, as ", register)
            for index, one in enumerate(held.channels):
                if one.first + one.bits > size:
                    text = f"{one.name}, bits {one.first} to {one.first + one.bits - 1}"
                    at = (*lanes.place("layout"), index)
                    yield broken(at, "channel beyond its register", text, *limit)
        elif not channels:
            limit = (f"at most {size}, as ", register)
            what = "channel wider than its register"
            yield broken(lanes.place("bits"), what, bits, *limit)
        else:
            limit = (f"0 to {channels - 1}, by the bits of ", register)
            for index, red in enumerate(lanes.value("red")):
                if red >= channels:
                    at = (*lanes.place("red"), index)
                    yield broken(at, "no such channel", red, *limit)


def channels_apart(output: Output, path: Path) -> Iterator[Broken]:
    """No bit of a register belongs to two channels."""
    for lanes in _each(output, path):
        channels = lane_layout(output, lanes.exception).channels
        runs = [(one.first, one.first + one.bits, k) for k, one in enumerate(channels)]
        taken, holder = 0, 0  # bits before this are taken, the last of them by it
        for first, end, index in sorted(runs):
            if first < taken:
                one, other = sorted((index, holder))
                text = f"bit {first} of {channels[other].name}"
                layout = lanes.place("layout")
                limit = (f"none of {channels[one].name}, ", (*layout, one))
                yield broken((*layout, other), "bit of two channels", text, *limit)
            taken, holder = max((taken, holder), (end, index))


def names_apart(output: Output, path: Path) -> Iterator[Broken]:
    """No two channels of a device have one name, and none is a word of patterns."""
    for lanes in _each(output, path):
        layout = lanes.place("layout")
        names: dict[str, int] = {}
        for index, one in enumerate(lanes.value("layout")):
            at, first = (*layout, index, "name"), names.setdefault(one.name, index)
            if first < index:
                expected = ("another than ", (*layout, first, "name"))
                yield broken(at, "name of two channels", one.name, *expected)
            if one.name in PATTERN_WORDS:
                expected = ("none of the words of ", ("traffic", "pattern"))
                yield broken(at, "word of patterns", one.name, *expected)


def red_said_once(output: Output, path: Path) -> Iterator[Broken]:
    """Indexes of red channels are for devices without a layout, which says itself."""
    for lanes in _each(output, path):
        red, layout = lanes.value("red"), lanes.value("layout")
        if red and layout and lanes.says("red"):
            expected = ("none, and red = true in ", lanes.place("layout"))
            text = ", ".join(map(str, red))
            yield broken(lanes.place("red"), "indexes beside a layout", text, *expected)


# --- exceptions -----------------------------------------------------------------------


def lanes_there(output: Output, path: Path) -> Iterator[Broken]:
    """An exception is for lanes that there are, each in one exception only."""
    seen: dict[int, Path] = {}
    for index, exception in enumerate(output.channel.lane):
        for place, lane in enumerate(exception.lanes):
            at: Path = (*path, "channel", "lane", index, "lanes", place)
            if lane >= output.lanes:
                limit = (f"0 to {output.lanes - 1}, as ", (*path, "lanes"))
                yield broken(at, "no such lane", lane, *limit)
            elif lane in seen:
                expected = ("another than ", seen[lane])
                yield broken(at, "lane of two exceptions", lane, *expected)
            seen.setdefault(lane, at)


def devices_fit_lane(output: Output, path: Path) -> Iterator[Broken]:
    """The devices of an exception hold no more bits than their lanes carry."""
    most = output.devices * output.register_bits
    for index, exception in enumerate(output.channel.lane):
        held = lane_layout(output, exception)
        bits = held.devices * held.register_bits
        if bits > most:
            key = "register_bits" if exception.devices is None else "devices"
            limit = (f"at most {most}, as ", (*path, "devices"))
            at = (*path, "channel", "lane", index, key)
            yield broken(at, "lane too short for its devices", f"{bits} bits", *limit)


_RULES: tuple[MapRule, ...] = (
    channels_fit_register,
    channels_apart,
    names_apart,
    red_said_once,
    lanes_there,
    devices_fit_lane,
)


def _of_node(rule: MapRule) -> NodeRule:
    def of_node(profile: Profile, node: int) -> Iterator[Broken]:
        yield from rule(profile.node[node].output, ("node", node, "output"))

    return of_node


NODE_RULES = tuple(_of_node(rule) for rule in _RULES)


def map_faults(output: Output) -> list[Fault]:
    """Everything for which the channel map of an output cannot be worked with."""
    return [
        Fault(
            one.what,
            one.value,
            "".join(
                piece if isinstance(piece, str) else dotted(piece)
                for piece in one.expected
            ),
            dotted(one.path),
        )
        for rule in _RULES
        for one in rule(output, ("output",))
    ]
