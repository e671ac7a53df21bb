"""Overrides: values set by their dotted path, `output.clock=2 MHz`.

They change the tables before anything else looks at them, so a value that was set is
checked exactly as one that was written.  Only what the file may hold can be set; a
table that is not there yet is made, a member of an array must be there.  Nothing after
the "=" takes the key out of its table, as if it had not been written.
"""

from __future__ import annotations

import tomllib
from copy import deepcopy
from difflib import get_close_matches
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault
from bench.base.units import shown
from bench.profile.schema import Path, known_paths, part_at
from bench.profile.tables import Written, dotted

if TYPE_CHECKING:
    from collections.abc import Sequence

_MOST_INDEX_DIGITS = 6
"""No array of a profile is longer; more digits are no index."""


def overridden(
    tables: dict[str, Any], overrides: Sequence[str]
) -> tuple[Written, list[Fault]]:
    """The tables with every override put in; where two set one path, the later wins.

    An override that is none, or that sets what a profile does not have, is left out.

    Args:
        tables: As the file has them; they are not changed.
        overrides: Each a dotted path, "=" and a value: TOML where it is TOML, else
            plain text.

    Returns:
        What was written, and the faults of the overrides themselves.
    """
    tables = deepcopy(tables)
    paths, faults = [], []
    for override in overrides:
        path, fault = _put(tables, override)
        if fault:
            faults.append(fault)
        else:
            paths.append(path)
    return Written(tables, tuple(paths)), faults


def _put(tables: dict[str, Any], override: str) -> tuple[Path, Fault | None]:
    """Set one value, or say why that cannot be."""
    key, equals, text = override.partition("=")
    path = tuple(_step(step.strip()) for step in key.split("."))
    where = f"--set {shown(key.strip())}".rstrip()
    if not equals:
        expected = "a dotted path, = and a value"
        return path, Fault("not an override", shown(override), expected, "--set")
    part = part_at(path, tables)
    if part is None:
        return path, _unknown(key.strip(), tables, where)
    container: Any = tables
    for step, below in pairwise(path):
        if isinstance(container, dict):
            container = container.setdefault(step, {})
        else:
            container = container[step]
        if not isinstance(container, dict if isinstance(below, str) else list):
            return path, Fault("not in a table", shown(key.strip()), where=where)
    if not text.strip() and isinstance(container, dict):
        container.pop(path[-1], None)
    else:
        container[path[-1]] = _value(text, part)
    return path, None


def _step(step: str) -> str | int:
    """A key, or an index where it is a number."""
    index = step.isascii() and step.isdecimal() and len(step) <= _MOST_INDEX_DIGITS
    return int(step) if index else step


def _value(text: str, part: dict[str, Any]) -> Any:
    """TOML where it is TOML; where only text is accepted, what is no TOML text is."""
    try:
        parsed = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text.strip()
    value = parsed["value"]
    if len(parsed) > 1 or (part.get("type") == "string" and not isinstance(value, str)):
        return text.strip()
    return value


def _unknown(key: str, tables: dict[str, Any], where: str) -> Fault:
    """The fault of a path that a profile does not have."""
    known = [dotted(path) for path in known_paths(tables)]
    near = get_close_matches(key, known, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    return Fault("unknown path", shown(key), where=where, mend=mend)
