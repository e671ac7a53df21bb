"""Faults of shape, in the house form: pydantic's errors translated, all of them.

What is expected is asked of the JSON Schema, so that a range reads the same whichever
of its ends was passed.  A fault names the place where the value was written, and the
faults come in the order of the file.
"""

from __future__ import annotations

from dataclasses import replace
from difflib import get_close_matches
from itertools import islice
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault
from bench.base.units import shown
from bench.profile.quantities import FAULT
from bench.profile.schema import (
    Path,
    Schema,
    child,
    expectation,
    known_paths,
    one_of,
    part_at,
)
from bench.profile.tables import dotted

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

    from bench.profile.tables import Written

Placed = tuple[Path, Fault]
"""A path of the merged tables, and what is wrong there; its place is not put in yet."""

_CHOICES = ("literal_error", "union_tag_invalid")

_RANGES = (
    "greater_than",
    "greater_than_equal",
    "less_than",
    "less_than_equal",
    "finite_number",
)

_SIZES = ("too_short", "too_long", "string_too_short", "string_too_long")


def shape_faults(
    error: ValidationError, merged: dict[str, Any], whole: Schema | None = None
) -> list[Placed]:
    """Every error of a validation.

    Args:
        error: From the models.
        merged: What they were given.
        whole: The schema of what that is; of a profile unless given.
    """
    return [
        _translated(detail, merged, whole)
        for detail in error.errors(include_url=False)
        if not _counts_faulty_members(detail)
    ]


def _counts_faulty_members(detail: ErrorDetails) -> bool:
    """Whether an array is only called short because members of it are at fault."""
    return (
        detail["type"] == "too_short"
        and len(detail["input"]) >= detail["ctx"]["min_length"]
    )


def in_order(placed: Iterable[Placed], written: Written) -> list[Fault]:
    """Faults with their places, in the order of the file.

    What is wrong in a shared table is wrong for every node, and said once.
    """
    faults: dict[Fault, tuple[int, ...]] = {}
    for path, fault in placed:
        complete = replace(fault, where=written.where(path))
        faults.setdefault(complete, written.order(path))
    return sorted(faults, key=lambda fault: faults[fault])


def _path(location: tuple[int | str, ...], tables: object, missing: bool) -> Path:
    """A location without the tags of unions, which nobody writes."""
    path: list[int | str] = []
    value = tables
    for depth, step in enumerate(location):
        below = child(value, step)
        if below is not None:
            value = below
            path.append(step)
        elif missing and depth == len(location) - 1:
            path.append(step)
    return tuple(path)


def _translated(
    detail: ErrorDetails, merged: dict[str, Any], whole: Schema | None
) -> Placed:
    """One error of pydantic in the house form."""
    kind, value = detail["type"], detail["input"]
    path = _path(detail["loc"], merged, kind == "missing")
    if kind == FAULT:
        return path, Fault(**detail["ctx"])
    if kind == "extra_forbidden":
        return path, _unknown_key(path, merged, whole)
    if kind == "union_tag_not_found" and isinstance(value, dict):
        path, kind = (*path, "kind"), "missing"
    if kind == "union_tag_invalid":
        path, value = (*path, "kind"), detail["ctx"]["tag"]
    part = part_at(path, merged, whole) or {"type": "object"}
    expected = expectation(part)
    if kind == "missing":
        table = "table" if expected == "a table" else "key"
        return path, Fault(f"required {table} missing", expected=expected)
    if kind in _CHOICES:
        near = get_close_matches(str(value), map(str, part.get("enum", [])), n=1)
        mend = f"did you mean {near[0]}?" if near else ""
        return path, Fault("unknown choice", quoted(value), expected, mend=mend)
    if kind in _RANGES:
        return path, Fault("out of range", quoted(value), expected)
    if kind in _SIZES:
        return path, Fault("wrong size", quoted(value), expected)
    if kind == "string_pattern_mismatch":
        return path, Fault("wrong form", quoted(value), expected)
    arrays = expected.startswith("an array of tables") and isinstance(value, dict)
    mend = f"write [[{path[-1]}]]" if arrays else ""
    return path, Fault("wrong kind of value", quoted(value), expected, mend=mend)


def quoted(value: object) -> str:
    """A value as the file would hold it, shortened."""
    if isinstance(value, str):
        return f'"{shown(value)}"'
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return shown(f"[{', '.join(quoted(member) for member in value)}]")
    return shown(value)


def _unknown_key(path: Path, merged: dict[str, Any], whole: Schema | None) -> Fault:
    """A key that its table does not have: the nearest that it has, or all."""
    key = str(path[-1])
    table = part_at(path[:-1], merged, whole) or {}
    known = list(table.get("properties", {}))
    near = get_close_matches(key, known, n=1)
    if not near and len(path) == 1:  # the right key without its table
        deep = (dotted(one) for one in known_paths(merged, whole) if one[-1] == key)
        near = list(islice(deep, 1))
    mend = f"did you mean {near[0]}?" if near else f"there are {one_of(known)}"
    return Fault("unknown key", shown(key), mend=mend)
