"""Axes of a sweep: what is varied, and which values it takes.

    bus.baud = 1 Mbaud .. 6 Mbaud, 11        11 values with equal differences
    output.clock = 250 kHz .. 4 MHz, 9 log   9 values with equal ratios
    output.devices = 5; 10; 20               these values

What is varied is a value of the profile by its dotted path, or one of a few things that
no single key holds (`NAMED`).  Values are written as the profile writes them.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise, product
from math import prod
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.profile.schema import known_paths, part_at
from bench.profile.tables import dotted
from bench.trial.sweep.scale import scale_of, spread

if TYPE_CHECKING:
    from collections.abc import Sequence
    from fractions import Fraction

    from bench.trial.sweep.scale import Scale

FOREIGN, LOAD, SEED = "foreign", "load", "seed"

NAMED = {
    FOREIGN: "the share of foreign traffic, traffic.foreign.share",
    LOAD: "the intended load of the bus, by way of the frame rate",
    SEED: "what every draw depends on",
}
"""What can be varied that is no path, and what it is."""

PATHS = {FOREIGN: "traffic.foreign.share"}
"""Short names of paths."""

MOST_VALUES = 10_000
"""Of one axis: more are a slip of the unit."""

MOST_POINTS = 1_000_000
"""Of all axes together: a day's work on some cores, and a line each in the ledger."""

_FORMS = "FROM .. TO, N or FROM .. TO, N log or A; B; C"
_RANGE = re.compile(
    r"(?P<low>.*?)\s*\.\.\s*(?P<high>[^,]*?)\s*(?:,\s*(?P<count>.*))?", re.DOTALL
)
_COUNT = re.compile(r"(\d{1,9})(\s*log)?")


@dataclass(frozen=True, slots=True)
class Axis:
    """One thing that is varied.

    Attributes:
        name: A dotted path, or a key of `NAMED`.
        values: As a profile writes them, in their order.
        log: Whether they were spaced by equal ratios.
    """

    name: str
    values: tuple[str, ...]
    log: bool = False

    @property
    def path(self) -> str:
        """The path that it sets; "" for what is no path."""
        if self.name in NAMED:
            return PATHS.get(self.name, "")
        return self.name

    def sets(self, value: str) -> str:
        """The override for a value; "" where there is none."""
        return f"{self.path}={value}" if self.path else ""


def axis_of(text: str, tables: dict[str, Any], where: str = "--over") -> Axis:
    """The axis that a text describes.

    Args:
        text: A name, "=" and the values.
        tables: The profile as it is written, which has to know the path.
        where: The option, for a fault.

    Raises:
        UsageError: If there is no such axis, or it has no values.
    """
    name, equals, spec = text.partition("=")
    name, spec = name.strip(), spec.strip()
    if not equals or not spec:
        expected = f"PATH=SPEC, and of values {_FORMS}"
        raise UsageError(Fault("not an axis", shown(text), expected, where))
    part = part_of(name, tables, where)
    where = f"{where} {shown(name)}"
    if ";" not in spec and ".." in spec:
        return _ranged(name, spec, part, where)
    values = tuple(value.strip() for value in spec.split(";"))
    if not all(values):
        raise UsageError(Fault("a value is missing", shown(spec), _FORMS, where))
    twice = [value for value, count in Counter(values).items() if count > 1]
    if twice:
        raise UsageError(Fault("a value twice", shown(twice[0]), "each once", where))
    _refuse_many(len(values), spec, where)
    return Axis(name, values)


def points_of(axes: Sequence[Axis]) -> list[tuple[str, ...]]:
    """All points, a value of each axis; the last axis turns the fastest.

    Raises:
        UsageError: If two axes vary one thing, or there are too many points.
    """
    paths = Counter(axis.path or axis.name for axis in axes)
    for path, count in paths.items():
        if count > 1:
            raise UsageError(Fault("two axes vary one thing", shown(path)))
    count = prod(len(axis.values) for axis in axes)
    if count > MOST_POINTS:
        raise UsageError(Fault("too many points", str(count), f"at most {MOST_POINTS}"))
    return list(product(*(axis.values for axis in axes)))


def part_of(name: str, tables: dict[str, Any], where: str) -> dict[str, Any]:
    """What the schema says of the thing that an axis varies.

    Raises:
        UsageError: If there is no such thing; the nearest one is named.
    """
    if name == SEED:
        return {"type": "integer"}
    if name == LOAD:
        return {"type": "number"}
    path = tuple(
        int(step) if step.isascii() and step.isdecimal() and len(step) < 7 else step
        for step in PATHS.get(name, name).split(".")
    )
    part = part_at(path, tables)
    if part is None:
        known = [*NAMED, *(dotted(one) for one in known_paths(tables))]
        near = get_close_matches(name, known, n=1)
        mend = f"did you mean {near[0]}?" if near else "or " + ", ".join(NAMED)
        expected = "a dotted path of the profile"
        raise UsageError(Fault("no such axis", shown(name), expected, where, mend))
    return part


def whole_only(part: dict[str, Any]) -> bool:
    """Whether a part of the schema takes no bare numbers but whole ones."""
    kinds = {one.get("type") for one in (part, *part.get("anyOf", ()))}
    return "integer" in kinds and "number" not in kinds


def _ranged(name: str, spec: str, part: dict[str, Any], where: str) -> Axis:
    """An axis from one value to another."""
    found = _RANGE.fullmatch(spec)
    count_text = (found["count"] or "").strip() if found else ""
    counted = _COUNT.fullmatch(count_text)
    if not found or not counted:
        what = "not a number of values" if count_text else "no number of values"
        raise UsageError(Fault(what, shown(count_text or spec), _FORMS, where))
    ends, count = (found["low"], found["high"]), int(counted[1])
    scale, worths = scale_of(ends, where, whole=whole_only(part))
    _refuse_range(ends, (worths[0], worths[1]), where)
    _refuse_many(count, count_text, where)
    if count < 2:
        expected = f"2 to {MOST_VALUES} values"
        raise UsageError(Fault("too few values", str(count), expected, where))
    log = counted[2] is not None
    if log and worths[0] <= 0:
        expected = "a lower end above 0 where ratios are equal"
        raise UsageError(Fault("out of range", shown(ends[0]), expected, where))
    values = spread(scale, (worths[0], worths[1]), count, log=log)
    if any(after <= before for before, after in pairwise(values)):
        unit = scale.kind.base if scale.kind else ""
        expected = f"at most as many as there are whole numbers{unit and ' of '}{unit}"
        raise UsageError(Fault("too many values", count_text, expected, where))
    return Axis(name, (ends[0], *map(scale.text, values[1:-1]), ends[1]), log)


def _refuse_range(
    ends: tuple[str, str], worths: tuple[Fraction, Fraction], where: str
) -> None:
    """Refuse a range with nothing in it."""
    written = f"{ends[0]} .. {ends[1]}"
    if worths[0] == worths[1]:
        expected = "two ends that differ"
        raise UsageError(Fault("empty range", shown(written), expected, where))
    if worths[0] > worths[1]:
        mend = f"did you mean {ends[1]} .. {ends[0]}?"
        expected = "the lower end first"
        fault = Fault("reversed range", shown(written), expected, where, mend)
        raise UsageError(fault)


def _refuse_many(count: int, given: str, where: str) -> None:
    if count > MOST_VALUES:
        expected = f"at most {MOST_VALUES}"
        raise UsageError(Fault("too many values", shown(given), expected, where))


def scale_at(
    name: str, texts: Sequence[str], tables: dict[str, Any], where: str
) -> tuple[Scale, list[Fraction]]:
    """How values of one axis are written, and the worth of some.

    Raises:
        UsageError: If there is no such axis, or one of them is no number.
    """
    part = part_of(name, tables, where)
    return scale_of(texts, where, whole=whole_only(part))
