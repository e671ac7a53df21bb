"""Reading a ledger's records without trusting their shape.

A run may be of any kind, of any age up to this version, or half written, and a file
that people can open they can also change.  So nothing here raises: what is not there,
or is of another kind than it should be, is None, no text, or nothing at all, and stays
"not observable" in whatever is made of it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns, format_rate, format_share, shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Record = Mapping[str, Any]

UNSEEN = "not observable"
"""What stands for a figure that nobody could see."""

_LONGEST = 400
"""Signs of one text that are told; the ledger has them all."""

_GREATEST = 2**63
"""Greater numbers are no counts or times of a ledger."""


def at(value: Any, *path: str) -> Any:
    """What lies at a path of keys; None where that leads nowhere."""
    for key in path:
        if not isinstance(value, dict):
            return None
        value = value.get(key)
    return value


def part(value: Any, *path: str) -> Record:
    """A table of values; an empty one where there is none."""
    found = at(value, *path)
    return found if isinstance(found, dict) else {}


def many(value: Any, *path: str) -> list[Record]:
    """A list of tables; what is none is left out."""
    found = at(value, *path)
    rows = found if isinstance(found, list) else []
    return [row for row in rows if isinstance(row, dict)]


def number(value: Any, *path: str) -> float | None:
    """A finite number."""
    found = at(value, *path)
    if isinstance(found, bool) or not isinstance(found, int | float):
        return None
    return found if abs(found) < _GREATEST and math.isfinite(found) else None


def whole(value: Any, *path: str) -> int | None:
    """A whole number."""
    found = number(value, *path)
    return None if found is None or found != int(found) else int(found)


def words(value: Any, *path: str) -> str:
    """A text on one line, nothing in it that cannot be printed; "" for none."""
    found = at(value, *path)
    return shown(found, _LONGEST) if isinstance(found, str) else ""


def texts(value: Any, *path: str) -> list[str]:
    """A list of texts, as `words` has them."""
    found = at(value, *path)
    rows = found if isinstance(found, list) else []
    return [text for row in rows if (text := words(row))]


# --- told -----------------------------------------------------------------------------


def count(value: float | None) -> str:
    """A count as a person reads it."""
    return UNSEEN if value is None else format_count(int(value))


def time(ns: float | None, digits: int = 4) -> str:
    """A time as a person reads it."""
    return UNSEEN if ns is None else format_ns(ns, digits)


def share(value: float | None, digits: int = 4) -> str:
    """A share as a person reads it."""
    return UNSEEN if value is None else format_share(value, digits)


def chance(value: float | None) -> str:
    """A rate of losses: one in so many, which small shares are easier to read as."""
    if value is None:
        return UNSEEN
    if value <= 0:
        return "none"
    if value >= 0.01:
        return format_share(value, 3)
    return f"1 in {format_count(round(1 / value))}"


def clock(ns: float) -> str:
    """A moment of a run, counted from its start: h:mm:ss, with what is left of it."""
    sign, left = ("-", -ns) if ns < 0 else ("", ns)
    seconds, rest = divmod(round(left), 1_000_000_000)
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    text = f"{sign}{hour}:{minute:02d}:{second:02d}"
    return f"{text}.{rest // 1000:06d}".rstrip("0").rstrip(".") if rest else text


def quantity(value: object, unit: str) -> str:
    """A value of the budget as a person reads it; "" for none."""
    if value is None:
        return ""
    amount = float(value)  # type: ignore[arg-type]
    if unit == "ns":
        return format_ns(amount)
    if unit == "share":
        return format_share(amount, 3)
    if unit in ("Hz", "baud"):
        return format_rate(amount, unit)
    if unit == "mA":
        return f"{amount / 1000:.4g} A"
    is_count = amount == int(amount) and abs(amount) >= 1000
    text = format_count(int(amount)) if is_count else f"{amount:.4g}"
    return f"{text} {unit}"


def total(rows: Sequence[Record], *path: str) -> int | None:
    """The sum over records; None where none of them knows."""
    known = [found for row in rows if (found := whole(row, *path)) is not None]
    return sum(known) if known else None
