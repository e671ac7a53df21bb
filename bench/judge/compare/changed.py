"""What else differs between two runs: profile, link, rig, device under test.

A comparison of firmware is one only where nothing else changed, so this comes first.
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    Content = Mapping[str, Any]
    Change = dict[str, Any]

_NODE = re.compile(r"^node\.(\d+)\.")

_DUT = ("serial", "revision", "firmware", "operator")


def changes(
    before: Content, after: Content, profiles: tuple[str | None, str | None]
) -> list[Change]:
    """Every difference, as strict JSON.

    Args:
        before: Facts of the first run.
        after: Of the second.
        profiles: Their resolved profiles, as TOML; None for one that is gone.

    Returns:
        `of` (profile, link, rig or dut), `what`, `before` and `after`.
    """
    found = list(_profile(*profiles))
    if before.get("link") != after.get("link"):
        found.append(_change("link", "link", before.get("link"), after.get("link")))
    pairs = _flat(before.get("rig") or {}), _flat(after.get("rig") or {})
    found += _differing("rig", *pairs)
    devices = [
        {k: (one.get("dut") or {}).get(k) for k in _DUT} for one in (before, after)
    ]
    found += _differing("dut", *devices)
    return found


def _profile(before: str | None, after: str | None) -> Iterator[Change]:
    """Differences of two resolved profiles."""
    if before == after:
        return
    try:
        tables = [_flat(tomllib.loads(text or "")) for text in (before, after)]
    except ValueError:
        yield _change("profile", "text", None, None)
        return
    yield from _of_several_nodes(_differing("profile", *tables))


def _of_several_nodes(found: Sequence[Change]) -> Iterator[Change]:
    """What changed alike at several nodes, once."""
    alike: dict[tuple[str, str | None, str | None], list[Change]] = {}
    for one in found:
        place = _NODE.sub("node.N.", one["what"])
        alike.setdefault((place, one["before"], one["after"]), []).append(one)
    for (place, _, _), same in alike.items():
        if len(same) == 1:
            yield same[0]
            continue
        numbers = ",".join(_NODE.findall(one["what"])[0] for one in same)
        yield {**same[0], "what": place.replace("node.N.", f"node.{numbers}.")}


def _differing(of: str, before: Content, after: Content) -> list[Change]:
    """What differs between two flat tables."""
    names = [*before, *(name for name in after if name not in before)]
    return [
        _change(of, name, before.get(name), after.get(name))
        for name in names
        if before.get(name) != after.get(name)
    ]


def _change(of: str, what: str, before: Any, after: Any) -> Change:
    return {"of": of, "what": what, "before": _said(before), "after": _said(after)}


def _said(value: Any) -> str | None:
    return None if value is None else str(value)


def _flat(table: Any, path: str = "") -> dict[str, Any]:
    """Every value by its dotted path."""
    if isinstance(table, dict):
        steps = list(table.items())
    elif isinstance(table, list) and any(isinstance(one, dict) for one in table):
        steps = list(enumerate(table))
    else:
        return {path: table}
    flat: dict[str, Any] = {}
    for step, value in steps:
        flat |= _flat(value, f"{path}.{step}" if path else str(step))
    return flat
