"""Which defects there are, what they are called, and how they are read.

This table is the one place where a new one is added.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import DURATION, shown
from bench.trial.serve import defects
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.profile.model import Profile
    from bench.trial.serve.defects import Defect

WHERE = "--fault"

MOST = 10**9
"""The largest count of a defect; more never happens."""


@dataclass(frozen=True, slots=True)
class Named:
    """One entry of the table.

    Attributes:
        name: What the command line calls it.
        value: What its value is: "N", "TIME", "ADDRESS", or "" where it takes none.
        usual: The value if none is given; "" to choose one by the profile.
        line: What it does, in one line, the value called as above.
        make: The defect, of its value in ns or as it is, for a profile.
    """

    name: str
    value: str
    usual: str
    line: str
    make: Callable[[int, Profile], Defect]

    @property
    def written(self) -> str:
        """How it is written: "drop[=N]"."""
        return f"{self.name}[={self.value}]" if self.value else self.name

    @property
    def told(self) -> str:
        """Its line, with the usual value."""
        if not self.value:
            return self.line
        return f"{self.line}; {self.usual or 'one that no node has'}"


def _no_check(value: int, profile: Profile) -> Defect:
    del value
    if format_of(profile.packet).layout.check is None:
        raise UsageError(Fault("the packets have no check", "no-check", where=WHERE))
    return defects.NoCheck()


def _foreign(address: int, profile: Profile) -> Defect:
    field = format_of(profile.packet).layout.address
    if field is None:
        raise UsageError(Fault("the packets have no address", "foreign", where=WHERE))
    own = [node.address for node in profile.node]
    if address < 0:
        stated = profile.traffic.foreign.addresses
        layout = format_of(profile.packet).layout
        taken = {*own, *layout.broadcast}
        free = (one for one in range(field.most + 1) if one not in taken)
        address = stated[0] if stated else next(free, -1)
    if address in own or not 0 <= address <= field.most:
        expected = f"an address that is no node's, 0 to {field.most}"
        raise UsageError(Fault("not a foreign address", str(address), expected, WHERE))
    return defects.Foreign(address)


def _extra_clock(every: int, profile: Profile) -> Defect:
    output = profile.node[0].output
    alike = {(one.output.lanes, one.output.bit_order) for one in profile.node}
    if output.signal != "clocked" or len(alike) > 1:
        expected = "clocked lanes, alike on all nodes"
        raise UsageError(Fault("no extra clock", "extra-clock", expected, WHERE))
    msb_first = output.bit_order == "msb-first"
    return defects.ExtraClock(every, output.lanes, msb_first=msb_first)


DEFECTS = (
    Named(
        "deaf",
        "TIME",
        "200 ms",
        "hear nothing for TIME, once in ten times TIME",
        lambda ns, _: defects.Deaf(ns),
    ),
    Named(
        "miss",
        "N",
        "10007",
        "do not hear every Nth character",
        lambda every, _: defects.Misses(every),
    ),
    Named(
        "mishear",
        "N",
        "10007",
        "hear one bit of every Nth character wrong",
        lambda every, _: defects.Mishears(every),
    ),
    Named("no-check", "", "", "show packets whose check is bad", _no_check),
    Named(
        "foreign",
        "ADDRESS",
        "",
        "the first node shows packets for ADDRESS, too",
        _foreign,
    ),
    Named(
        "drop",
        "N",
        "50",
        "do not show every Nth packet, and say nothing of it",
        lambda every, _: defects.Drops(every),
    ),
    Named(
        "repeat",
        "N",
        "50",
        "show every Nth packet twice",
        lambda every, _: defects.Repeats(every),
    ),
    Named(
        "wrong-bit",
        "N",
        "50",
        "show every Nth packet with one bit wrong",
        lambda every, _: defects.WrongBit(every),
    ),
    Named(
        "extra-clock",
        "N",
        "50",
        "clock once too often in every Nth burst",
        _extra_clock,
    ),
    Named(
        "wedge",
        "N",
        "100",
        "show nothing more after N packets",
        lambda after, _: defects.Wedges(after),
    ),
    Named(
        "reset",
        "TIME",
        "10 s",
        "begin anew every TIME, and say so",
        lambda ns, _: defects.Resets(ns),
    ),
    Named(
        "late-lines",
        "TIME",
        "500 ms",
        "tell what was sighted TIME later",
        lambda ns, _: defects.LateLines(ns),
    ),
)
"""Every defect, those of hearing first."""

NAMES = tuple(one.name for one in DEFECTS)
"""What they are called."""


def defects_of(given: Sequence[str], profile: Profile) -> list[Defect]:
    """The defects that a command line names.

    Args:
        given: `NAME` or `NAME=VALUE`, each.
        profile: The nodes that are to have them.

    Raises:
        UsageError: If there is no such defect, it cannot take its value, or is given
            twice.
    """
    made: dict[str, Defect] = {}
    for text in given:
        name, equals, value = text.partition("=")
        one = _named(name)
        if name in made:
            raise UsageError(Fault("given twice", name, where=WHERE))
        if bool(equals) and not one.value:
            raise UsageError(Fault("takes no value", text, name, WHERE))
        made[name] = one.make(_read(one, value if equals else one.usual), profile)
    return list(made.values())


def _named(name: str) -> Named:
    """The entry of a name."""
    for one in DEFECTS:
        if one.name == name:
            return one
    near = get_close_matches(name, NAMES, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    raise UsageError(Fault("no such fault", shown(name), ", ".join(NAMES), WHERE, mend))


def _read(one: Named, text: str) -> int:
    """The value of a defect; -1 where there is none."""
    if not one.value or (one.value == "ADDRESS" and not text):
        return -1
    where = f"{WHERE} {one.name}"
    if one.value == "TIME":
        return int(DURATION.within(10**6, 86_400 * 10**9).parse(text, where))
    least = 0 if one.value == "ADDRESS" else 1
    digits = text.isascii() and text.isdigit() and len(text) < len(str(MOST)) + 1
    if not digits or not least <= int(text) <= MOST:
        expected = f"a whole number, {least} to {MOST}"
        raise UsageError(Fault("not a number", shown(text), expected, where))
    return int(text)
