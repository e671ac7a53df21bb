"""The shipped causeway with changes, and what the loader says of it."""

from __future__ import annotations

import tomllib
from copy import deepcopy
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.errors import ProfileError
from bench.profile import profile_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

ROOT = Path(__file__).parents[3]
TEXT = (ROOT / "profiles" / "causeway.toml").read_text(encoding="utf-8")
CAUSEWAY: dict[str, Any] = tomllib.loads(TEXT)

GONE = object()
"""As a value: the key is taken out."""


def changed(changes: dict[str, Any]) -> dict[str, Any]:
    """The causeway's tables with values set, or taken out, at dotted paths."""
    tables = deepcopy(CAUSEWAY)
    for path, value in changes.items():
        *steps, last = [
            int(step) if step.isdecimal() else step for step in path.split(".")
        ]
        container: Any = tables
        for step in steps:
            if isinstance(container, dict):
                container = container.setdefault(step, {})
            else:
                container = container[step]
        if value is GONE:
            del container[last]
        else:
            container[last] = value
    return tables


def faults(
    changes: dict[str, Any],
    overrides: Sequence[str] = (),
    check_octets: Callable[[str], int] | None = None,
) -> list[str]:
    """What is said of the changed causeway; nothing if it is sound."""
    try:
        profile_of(changed(changes), overrides, check_octets)
    except ProfileError as error:
        return list(error.lines)
    return []
