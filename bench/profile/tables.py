"""The tables of a profile as they were written, and where each value stands.

TOML text becomes tables; overrides change some of them; then what the nodes share is
laid under each node's own.  The models see the result, but a fault must name the place
where a person wrote the value: in the shared table, in the node's own, or in an
override.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import Any

from bench.base.errors import Fault, ProfileError
from bench.base.units import shown
from bench.profile.schema import SHARED, Path, child

_TOML_PLACE = re.compile(r"^(.*) \(at (?:line (\d+), column \d+|end of document)\)$")


def dotted(path: Path) -> str:
    """A path as a person writes it."""
    return ".".join(shown(step) for step in path)


# --- from text ------------------------------------------------------------------------


def read_toml(text: str, name: str) -> dict[str, Any]:
    """The tables of a TOML text; a byte-order mark at its start is skipped.

    Args:
        text: The text.
        name: Of the file, for the fault.

    Raises:
        ProfileError: If it is not TOML.
    """
    text = text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        fault = Fault("not TOML: nested too deeply", where=name)
        raise ProfileError([fault]) from error
    except ValueError as error:  # a TOMLDecodeError, or a number of too many digits
        raise ProfileError([_toml_fault(str(error), text, name)]) from error


def _toml_fault(message: str, text: str, name: str) -> Fault:
    """A fault of the TOML reader, with the line that it stumbled over."""
    what, line = message, 0
    lines = text.split("\n")
    if found := _TOML_PLACE.match(message):
        what, line = found[1], int(found[2] or len(lines))
    value = lines[line - 1].strip() if line else ""
    mend = ""
    if "Cannot overwrite" in what or "Duplicate" in what or "twice" in what:
        what = "set twice"
    elif re.search(r"[=\[,]\s*[+-]?0[0-9]", value):
        mend = "a number has no leading zero; 0x, 0o and 0b are bases"
    elif re.search(r"=\s*[0-9.]+ *[A-Za-zµμΩ%]", value):
        mend = "a value with a unit stands in quotes"
    elif re.search(r"=\s*[0-9]+,[0-9]", value):
        mend = "a decimal point, and quotes around a value with a unit"
    where = f"{name}:{line}" if line else name
    return Fault(
        f"not TOML: {what[:1].lower()}{what[1:]}", shown(value), "", where, mend
    )


# --- shared tables --------------------------------------------------------------------


def _laid_over(shared: object, own: object) -> Any:
    """A node's own table over the shared one; whatever is no table replaces."""
    if not isinstance(shared, dict) or not isinstance(own, dict):
        return own
    merged = dict(shared)
    for key, value in own.items():
        merged[key] = _laid_over(shared[key], value) if key in shared else value
    return merged


def _whole_node(node: object, shared: dict[str, Any]) -> Any:
    """A node with what it shares."""
    if not isinstance(node, dict):
        return node
    whole = dict(node)
    for key, value in shared.items():
        if isinstance(value, dict):
            whole[key] = _laid_over(value, node.get(key, {}))
        else:  # no table: let the node's model say so
            whole[key] = value
    return whole


@dataclass(frozen=True)
class Written:
    """A profile as it was written.

    Attributes:
        tables: The file with the overrides put in.
        overrides: The paths that overrides have set.
    """

    tables: dict[str, Any]
    overrides: tuple[Path, ...] = ()

    def merged(self) -> dict[str, Any]:
        """The tables as the models see them: every node whole, nothing shared."""
        shared = {key: self.tables[key] for key in SHARED if key in self.tables}
        merged = {key: self.tables[key] for key in self.tables if key not in SHARED}
        nodes = self.tables.get("node")
        if isinstance(nodes, list):
            merged["node"] = [_whole_node(node, shared) for node in nodes]
        return merged

    def place(self, path: Path) -> Path:
        """Where the value at a path of the merged tables was written.

        What is missing belongs where its table was written; to the shared one if it is
        there at all, since that mends every node.
        """
        if len(path) < 3 or path[0] != "node" or path[2] not in SHARED:
            return path
        shared = path[2:]
        if self._holds(path):
            return path
        if self._holds(shared) or self._holds(shared[:-1]):
            return shared
        return path if self._holds(path[:-1]) else self.place(path[:-1]) + path[-1:]

    def where(self, path: Path) -> str:
        """The place of a fault, for a person; `path` is one of the merged tables."""
        place = self.place(path)
        for override in sorted(self.overrides, key=len, reverse=True):
            if place[: len(override)] == override:
                return f"--set {dotted(override)}"
        return dotted(place)

    def order(self, path: Path) -> tuple[int, ...]:
        """A key that sorts paths of the merged tables in the order of the file."""
        order: list[int] = []
        value: object = self.tables
        for step in self.place(path):
            if isinstance(value, dict):
                order.append([*value, step].index(step))
            elif isinstance(step, int):
                order.append(step)
            value = child(value, step)
        return tuple(order)

    def _holds(self, path: Path) -> bool:
        """Whether something was written at a path."""
        value: object = self.tables
        for step in path:
            value = child(value, step)
        return value is not None
