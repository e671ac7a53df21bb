"""The limiting values of one quantity, the rest held.

From the present value, or the nearest that fits, a bracket is widened until a value no
longer fits, and halved to the last unit (or to five digits).  So what is found is the
range around the present value; beyond its ends there may be others that fit, where a
divisor has to match for example.

A value that the profile's own rules refuse does not fit either, and is told as such.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, get_args

from bench.base.errors import BenchError, Fault, ProfileError, UsageError
from bench.base.units import BAUD, shown
from bench.budget.whole import budget

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.base.units import Kind
    from bench.budget.line import Budget
    from bench.profile.model import Node, Profile

    Load = Callable[[Sequence[str]], Profile]

NODES = "node"
"""The path that means how many nodes there are."""

SHARED = ("processor", "output")
"""Tables that stand for those of all nodes."""

_LOWEST = ("clock", "latch_gap", "kept_gap", "fifo", "receive", "port_words", "ram")
"""Keys of which people ask for the lowest value that fits; of others, the highest."""

_MOST_WHOLE = 1 << 40
_FINE = Fraction(1, 10**5)
"""Values that are not whole are found to so small a part of themselves."""


class UnsolvableError(UsageError):
    """No value of a quantity makes a profile fit.

    Attributes:
        path: The quantity.
        why: What gives way whatever its value.
    """

    def __init__(self, path: str, why: str) -> None:
        self.path, self.why = path, why
        what = f"no value of {path} makes it fit"
        mend = f"something else has to give: {why}"
        super().__init__(Fault(what, where=f"--solve {path}", mend=mend))


@dataclass(frozen=True, slots=True)
class Solution:
    """Between which values of one quantity a profile fits.

    Attributes:
        path: The quantity.
        now: Its present value; None where it has none.
        lowest: The lowest value that fits; None where nothing limits it.
        highest: The highest.
        lowest_by: The line that limits it there, or what the profile refuses.
        highest_by: Likewise.
        downwards: Whether it is the lowest that people ask for.
        kind: What it is; None for bare numbers.
    """

    path: str
    now: int | float | None
    lowest: int | float | None
    highest: int | float | None
    lowest_by: str
    highest_by: str
    downwards: bool
    kind: Kind | None

    @property
    def value(self) -> float | None:
        """The one that is asked for: the lowest of a clock, the highest of most."""
        return self.lowest if self.downwards else self.highest

    @property
    def text(self) -> str:
        """That value as a profile writes it; "" where nothing limits it."""
        return self.written(self.value)

    @property
    def limited_by(self) -> str:
        """What limits it."""
        return self.lowest_by if self.downwards else self.highest_by

    def written(self, value: float | None) -> str:
        """A value as a profile writes it."""
        if value is None:
            return ""
        return str(value) if self.kind is None else self.kind.text(value)

    def as_dict(self) -> dict[str, Any]:
        """The solution as strict JSON."""
        return {
            "path": self.path,
            "now": self.now,
            "value": self.value,
            "text": self.text or None,
            "limited_by": self.limited_by or None,
            "lowest": self.lowest,
            "lowest_by": self.lowest_by or None,
            "highest": self.highest,
            "highest_by": self.highest_by or None,
        }


def solve(load: Load, path: str) -> Solution:
    """Between which values of one quantity a profile fits, the rest held.

    Args:
        load: The profile with more overrides, `load(["output.clock=2 MHz"])`.
        path: The dotted path of the quantity; "node" is the number of nodes.

    Raises:
        UnsolvableError: If no value of it fits.
        UsageError: If it is no quantity.
        ProfileError: If the profile has faults.
    """
    asked = _Nodes(load([])) if path == NODES else _Quantity(load, path)
    start = asked.start()
    lowest, lowest_by = _edge(asked, start, down=True)
    highest, highest_by = _edge(asked, start, down=False)
    last = path.rpartition(".")[2]
    return Solution(
        path,
        asked.now,
        lowest,
        highest,
        lowest_by,
        highest_by,
        last in _LOWEST,
        asked.kind,
    )


def _edge(
    asked: _Asked, start: Fraction, *, down: bool
) -> tuple[int | float | None, str]:
    """The last value that fits in one direction, and what limits it."""
    good, bad, why = start, None, ""
    for value in asked.further(start, down=down):
        why = asked.why_not(value)
        if why:
            bad = value
            break
        good = value
    if bad is None:
        return None, ""
    while asked.apart(good, bad):
        middle = asked.rounded((good + bad) / 2)
        if found := asked.why_not(middle):
            bad, why = middle, found
        else:
            good = middle
    return asked.plain(good), why


class _Asked(ABC):
    """A quantity that can be tried."""

    kind: Kind | None = None
    whole = True
    now: int | float | None = None
    least = Fraction(0)
    most = Fraction(_MOST_WHOLE)

    @abstractmethod
    def budget(self, value: Fraction) -> Budget:
        """The budget with a value.

        Raises:
            BenchError: If the profile refuses it.
        """

    def why_not(self, value: Fraction) -> str:
        """Why a value does not fit; "" where it does."""
        try:
            found = self.budget(value)
        except ProfileError as error:
            return error.fault.what
        except BenchError as error:
            return error.fault.what
        return "" if found.fits else found.tightest

    def start(self) -> Fraction:
        """The present value if it fits, else the nearest that does.

        Raises:
            UnsolvableError: If none does.
        """
        first = Fraction(0 if self.now is None else str(self.now))
        why = self.why_not(first)
        if not why:
            return first
        ways = (self.further(first, down=True), self.further(first, down=False))
        both = [list(way) for way in ways]
        for step in range(max(len(way) for way in both)):
            for way in both:
                if step < len(way) and not self.why_not(way[step]):
                    return way[step]
        raise UnsolvableError(self.path, why)

    path = ""

    def further(self, start: Fraction, *, down: bool) -> list[Fraction]:
        """Values ever further from one, up to where such a quantity ends."""
        values: list[Fraction] = []
        value = start
        end = self.least if down else self.most
        step = self._step(start)
        while value != end and len(values) < 80:
            if start > 0 and self.least >= 0:
                value = value / 2 if down else value * 2
                if down and value < step:
                    value = end
            else:
                value, step = value + (-step if down else step), step * 2
            value = self.rounded(max(end, value) if down else min(end, value))
            if not values or value != values[-1]:
                values.append(value)
        return values

    def _step(self, start: Fraction) -> Fraction:
        """The first step from nothing."""
        if self.whole:
            return Fraction(1)
        return max(abs(start), Fraction(1, 1000)) / 1000

    def apart(self, good: Fraction, bad: Fraction) -> bool:
        """Whether there is a value between two."""
        if self.whole:
            return abs(good - bad) > 1
        return abs(good - bad) > _FINE * max(abs(good), abs(bad), Fraction(1, 1000))

    def rounded(self, value: Fraction) -> Fraction:
        """The nearest value that can be written."""
        return Fraction(round(value)) if self.whole else Fraction(f"{float(value):.9g}")

    def plain(self, value: Fraction) -> int | float:
        """A value as a profile holds it."""
        return int(value) if self.whole else float(value)


class _Quantity(_Asked):
    """One key of a profile."""

    def __init__(self, load: Load, path: str) -> None:
        """Look a key up.

        Raises:
            UsageError: If it is no quantity.
        """
        self.path = path
        self._load = load
        profile = load([])
        steps = [int(s) if s.isdecimal() else s for s in path.split(".")]
        if steps[0] in SHARED:
            steps = ["node", 0, *steps]
        self.kind, number = _kind_of(type(profile), steps)
        value = _value_at(profile, steps)
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not (value is None or plain):
            expected = "a number or a quantity, such as output.clock, or node"
            fault = Fault("nothing to solve for", shown(path), expected, "--solve")
            raise UsageError(fault)
        self.now = value if plain else None  # type: ignore[assignment]
        self.whole = bool(self.kind.base) if self.kind else isinstance(value, int)
        if self.kind is not None:
            self.least, self.most = Fraction(self.kind.least), Fraction(self.kind.most)
            signal = profile.node[0].output.signal
            if path.endswith("output.clock") and signal == "uart":
                self.kind = BAUD.within(self.kind.least, self.kind.most)

    def budget(self, value: Fraction) -> Budget:
        """See the base class."""
        text = self.kind.text(value) if self.kind else str(self.plain(value))
        return budget(self._load([f"{self.path}={text}"]))


class _Nodes(_Asked):
    """How many nodes there are: more of the last one, or fewer."""

    path = NODES
    least = Fraction(1)
    most = Fraction(256)

    def __init__(self, profile: Profile) -> None:
        self._profile = profile
        self.now = len(profile.node)

    def budget(self, value: Fraction) -> Budget:
        """See the base class."""
        count = int(value)
        nodes = list(self._profile.node[:count])
        while len(nodes) < count:
            nodes.append(self._next(nodes))
        return budget(self._profile.model_copy(update={"node": tuple(nodes)}))

    def _next(self, nodes: Sequence[Node]) -> Node:
        """One more like the last, at the next free address."""
        last, packet = nodes[-1], self._profile.packet
        address = last.address + 1
        if packet.shared:
            address = last.address + last.output.payload_octets
            sizes = [field for field in packet.fields if field.kind == "payload"]
            most = sizes[0].octets or sizes[0].most or address
            if address - 1 + last.output.payload_octets > most:
                raise UsageError(Fault("no room in the shared payload"))
        taken = {node.address for node in nodes}
        for field in packet.fields:
            if field.kind == "address":
                taken |= set(field.broadcast)
                while address in taken:
                    address += 1
                if address >= 256**field.size:
                    raise UsageError(Fault("no address left"))
        name = f"{last.name[:50]} {len(nodes) + 1}"
        return last.model_copy(update={"name": name, "address": address})


# --- what stands at a path ------------------------------------------------------------


def _value_at(profile: object, steps: Sequence[str | int]) -> object:
    """The value at a path; None where there is none."""
    value = profile
    for step in steps:
        if isinstance(step, int):
            members = value if isinstance(value, tuple) else ()
            value = members[step] if step < len(members) else None
        elif value is not None:
            field = _field(type(value), step)
            value = getattr(value, field, None) if field else None
    return value


def _field(model: Any, key: str) -> str:
    """The field of a model that a key of the file means; "" where there is none."""
    fields = getattr(model, "model_fields", {})
    for name, field in fields.items():
        if key in (field.alias, name):
            return str(name)
    return ""


def _kind_of(model: Any, steps: Sequence[str | int]) -> tuple[Kind | None, bool]:
    """The kind of the quantity at a path, and whether it is a number at all."""
    found: Any = model
    for step in steps[:-1]:
        if isinstance(step, int):
            continue
        name = _field(found, step)
        if not name:
            return None, False
        models = _models(found.model_fields[name].annotation)
        if not models:
            return None, False
        found = models[0]
    last = steps[-1]
    name = _field(found, last) if isinstance(last, str) else ""
    if not name:
        return None, False
    field = found.model_fields[name]
    kinds = [
        part.kind
        for part in (*field.metadata, *_parts(field.annotation))
        if hasattr(part, "kind") and hasattr(part.kind, "parse")
    ]
    if kinds:
        return kinds[0], True
    return None, any(part in (int, float) for part in _parts(field.annotation))


def _parts(annotation: Any) -> list[Any]:
    """Everything that an annotation is made of."""
    parts = [annotation]
    for part in get_args(annotation):
        parts += _parts(part)
    return parts


def _models(annotation: Any) -> list[Any]:
    """The models among them."""
    return [part for part in _parts(annotation) if hasattr(part, "model_fields")]
