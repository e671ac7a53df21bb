"""What commands share: their session, how options are read, how a shell completes."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from bench.base.errors import Fault, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    Command = Callable[..., Any]
    NumberType = click.ParamType[int]
else:
    NumberType = click.ParamType  # which older releases cannot subscript


PLAY = "play"
"""The pattern that plays a recording."""


def never() -> None:
    """No signal came."""


@dataclass
class Session:
    """One call of the command line.

    Attributes:
        stop: The signal that came, or None.
        profile: The profile as it was named, once it is known.
        run: The folder of the run, once there is one.
    """

    stop: Callable[[], int | None] = never
    profile: str = ""
    run: Path | None = None


# --- values ---------------------------------------------------------------------------


class Duration(NumberType):
    """A length of time with its unit, in nanoseconds."""

    name = "duration"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """See the base class."""
        del ctx
        from bench.base.units import parse_duration

        where = param.opts[0] if param else ""
        ns = value if isinstance(value, int) else parse_duration(value, where)
        if ns < 1:
            raise UsageError(Fault("no time", str(value), "more than 0 s", where))
        return ns


class Whole(NumberType):
    """A whole number within a range."""

    name = "number"

    def __init__(self, least: int, most: int) -> None:
        self._least, self._most = least, most

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """See the base class."""
        del ctx
        from bench.base.units import shown

        expected = f"a whole number, {self._least} to {self._most}"
        where = param.opts[0] if param else ""
        try:
            number = int(value)
        except ValueError:
            fault = Fault("not a number", shown(value), expected, where)
            raise UsageError(fault) from None
        if not self._least <= number <= self._most:
            raise UsageError(Fault("out of range", shown(value), expected, where))
        return number


class LineOctet(NumberType):
    """An octet as it is written on the line: 55h."""

    name = "octet"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """See the base class."""
        del param, ctx
        from bench.base.units import shown

        text = str(value)
        digits = text[:-1]
        hexadecimal = len(digits) == 2 and set(digits) <= set("0123456789abcdefABCDEF")
        if text[-1:] not in ("h", "H") or not hexadecimal:
            expected = "an octet such as 55h, 00h or FFh"
            raise UsageError(Fault("not an octet", shown(text), expected, "--line"))
        return int(digits, 16)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """See the base class."""
        del ctx, param
        usual = ("55h", "00h", "FFh")
        return [CompletionItem(text) for text in usual if text.startswith(incomplete)]


# --- completion -----------------------------------------------------------------------


def _profiles(
    ctx: click.Context, param: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Shipped profiles by name, and files."""
    del ctx, param
    from bench.profile import shipped_profiles

    names = [name for name in shipped_profiles() if name.startswith(incomplete)]
    return [CompletionItem(name) for name in names] or [
        CompletionItem(incomplete, type="file")
    ]


def _paths(
    ctx: click.Context, param: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Dotted paths of the profile that is already named, or of any."""
    del param
    from bench.base.errors import BenchError
    from bench.profile import load_profile
    from bench.profile.schema import known_paths
    from bench.profile.tables import dotted

    tables: dict[str, Any] = {}
    # An option that still waits for its value leaves arguments where they are.
    if named := ctx.params.get("profile") or next(iter(ctx.args), None):
        try:
            tables = load_profile(named).dump()
        except BenchError:
            tables = {}
    paths = (dotted(path) for path in known_paths(tables))
    return [CompletionItem(f"{path}=") for path in paths if path.startswith(incomplete)]


# --- shared ---------------------------------------------------------------------------


def profile_argument(*, required: bool = True) -> Command:
    """The profile that a command works with."""
    return click.argument(
        "profile",
        required=required,
        metavar="PROFILE" if required else "[PROFILE]",
        shell_complete=_profiles,
    )


set_option = click.option(
    "--set",
    "overrides",
    multiple=True,
    metavar="PATH=VALUE",
    shell_complete=_paths,
    help="Set a value of the profile by its dotted path, output.clock='2 MHz'; "
    "repeatable.",
)


output_option = click.option(
    "-o",
    "--output",
    metavar="FILE",
    help="Write into a file instead of standard output.",
)


def again(
    verb: str, profile: str, overrides: Sequence[str], options: Sequence[str] = ()
) -> str:
    """The command that makes something again, as a shell takes it."""
    sets = [word for text in overrides for word in ("--set", text)]
    return shlex.join(["nightbench", verb, profile, *sets, *options])


def point_of(overrides: Sequence[str]) -> dict[str, str]:
    """What was overridden, as given."""
    pairs = (text.partition("=") for text in overrides)
    return {path.strip(): value.strip() for path, _, value in pairs}
