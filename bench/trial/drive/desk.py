"""The desk: what becomes of a command, before anything of it is on the line.

It holds the values that are asked for by now, and turns each command into an `Order`
for the source, or into a fault of one line, and then everything stays as it is.  A
value past what the profile, the line or the lights allow is such a fault.  Orders are
made in the order in which they will be obeyed, so that a whole script is refused before
its first character.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from bench.base.errors import BenchError, Fault
from bench.base.units import shown
from bench.traffic.refusal import refuse
from bench.trial.drive.asked.commands import (
    CONTROLS,
    Bad,
    Quit,
    Set,
    Turn,
    written,
)
from bench.trial.drive.asked.controls import Foreigners, steps
from bench.trial.drive.malformed import malformed

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.profile.model import Profile
    from bench.trial.drive.asked.commands import Command
    from bench.trial.drive.asked.script import Asked

    Lights = Callable[[Profile], Sequence[Fault]]

_TURNS = "traffic."
_LINK = ("bus.baud", "traffic.pacing")
"""What a link is held by: a change takes the link up anew."""

_STAYS = "traffic.pattern"

_SHARE = 0.05
"""Of foreign nodes that come where none were."""


@dataclass(frozen=True, slots=True)
class Order:
    """What the source is to do.

    Attributes:
        command: What was asked, as it goes into a script.
        profile: The values that hold from then on.
        changed: What differs of them: path, and values before and after, as text.
        relink: Whether the link has to be taken up anew.
        at_ns: Instant of the trial; None: as soon as possible.
        asked_ns: Instant of the clock at which it was asked; None: of a script.
    """

    command: Command
    profile: Profile
    changed: tuple[tuple[str, str, str], ...] = ()
    relink: bool = False
    at_ns: int | None = None
    asked_ns: int | None = None


@dataclass(slots=True)
class Desk:
    """Takes commands.

    Attributes:
        load: The profile with values set, each "PATH=VALUE".
        lights: What lights would do at such a profile that they must not.
        may_fail: Whether boards may be made to fail: malformed packets are sent.
        sets: Values that are set by now, as typed.
        profile: The profile with them.
        over: Whether the end was asked for.
    """

    load: Callable[[Sequence[str]], Profile]
    lights: Lights
    may_fail: bool = True
    sets: dict[str, str] = field(default_factory=dict)
    over: bool = False
    profile: Profile = field(init=False)
    _foreigners: Foreigners = field(init=False)

    def __post_init__(self) -> None:
        self.profile = self.load(self._texts(self.sets))
        foreign = self.profile.traffic.foreign
        self._foreigners = Foreigners(foreign.share or _SHARE, foreign.addresses)

    def ask(self, asked: Asked, asked_ns: int | None = None) -> Order:
        """What a command comes to.

        Args:
            asked: The command.
            asked_ns: The clock.

        Raises:
            BenchError: If it cannot be obeyed; nothing has changed then.
        """
        command = asked.command
        if self.over:
            raise BenchError(Fault("the drive is ending", written(command)))
        if isinstance(command, Turn):
            return self._turned(command, asked.at_ns, asked_ns)
        if isinstance(command, Set):
            return self._set(command.values, asked.at_ns, asked_ns)
        if isinstance(command, Bad):
            self._refuse_bad(command)
        self.over = isinstance(command, Quit)
        return Order(command, self.profile, at_ns=asked.at_ns, asked_ns=asked_ns)

    def _turned(self, turn: Turn, at_ns: int | None, asked_ns: int | None) -> Order:
        """A control that goes to the first step that can be obeyed."""
        first: BenchError | None = None
        for values in steps(
            turn.control, self.profile, up=turn.up, foreigners=self._foreigners
        ):
            try:
                return self._set(values, at_ns, asked_ns)
            except BenchError as error:
                first = first or error
        if first is not None:
            raise first
        end = "highest" if turn.up else "lowest"
        raise BenchError(Fault(f"{CONTROLS[turn.control]} is at its {end}"))

    def _set(
        self,
        values: Sequence[tuple[str, str]],
        at_ns: int | None,
        asked_ns: int | None,
    ) -> Order:
        """Values of the profile, if all may be had together."""
        for path, value in values:
            if not path.startswith(_TURNS) and path not in _LINK:
                expected = f"a path under {_TURNS[:-1]}, or {_LINK[0]}"
                what = "not to be turned while traffic runs"
                raise BenchError(Fault(what, shown(path), expected))
            if path == _STAYS and value.strip('"') == "play":
                raise BenchError(Fault("there is no recording to play", path))
        sets = self.sets | dict(values)
        profile = self._loaded(sets)
        refuse(profile)
        if faults := self.lights(profile):
            raise BenchError(faults[0])
        changed = _changed(self.profile, profile)
        if not changed:
            raise BenchError(
                Fault("so it is already", "; ".join(map("=".join, values)))
            )
        relink = any(path in _LINK for path, _, _ in changed)
        self.sets, self.profile = sets, profile
        if share := profile.traffic.foreign.share:
            self._foreigners = replace(self._foreigners, share=share)
        return Order(Set(tuple(values)), profile, changed, relink, at_ns, asked_ns)

    def _loaded(self, sets: Mapping[str, str]) -> Profile:
        """The profile with values set.

        Raises:
            BenchError: With the first fault that it has.
        """
        try:
            return self.load(self._texts(sets))
        except BenchError as error:
            where = error.fault.where.removeprefix("--set ")
            raise BenchError(replace(error.fault, where=where)) from error

    def _refuse_bad(self, bad: Bad) -> None:
        """Raise if such a malformed packet cannot be sent, or may not be."""
        if not self.may_fail:
            what = "malformed packets may make boards fail, and lights may be on them"
            mend = "disconnect the lights, then --allow-failing"
            raise BenchError(Fault(what, bad.kind, mend=mend))
        malformed(self.profile, bad.kind, 0)

    @staticmethod
    def _texts(sets: Mapping[str, str]) -> list[str]:
        return [f"{path}={value}" for path, value in sets.items()]


def _changed(before: Profile, after: Profile) -> tuple[tuple[str, str, str], ...]:
    """The values of two profiles that differ, of those that can be turned."""
    old, new = (_flat(one) for one in (before, after))
    paths = [path for path in {**old, **new} if old.get(path) != new.get(path)]
    return tuple((path, old.get(path, ""), new.get(path, "")) for path in paths)


def _flat(profile: Profile) -> dict[str, str]:
    """What can be turned, by dotted path, as text."""
    dumped = profile.dump()
    flat: dict[str, str] = {"bus.baud": str(dumped["bus"]["baud"])}
    tables = [("traffic", dumped["traffic"])]
    while tables:
        at, table = tables.pop()
        for key, value in table.items():
            if isinstance(value, dict):
                tables.append((f"{at}.{key}", value))
            else:
                flat[f"{at}.{key}"] = str(value)
    return flat
