"""`nightbench upset`: something happens to the bus; do the nodes get over it?"""

from __future__ import annotations

import secrets
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from bench.base.errors import Fault, UsageError
from bench.cli.options import (
    Duration,
    Whole,
    point_of,
    profile_argument,
    set_option,
)
from bench.cli.runs import DRAWN_SEED, Noting, device_of, run_options, seed_option
from bench.cli.told import say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from bench.api_upset import UpsetResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out
    from bench.trial.runner import Watcher

    NameType = click.ParamType[str]
else:
    NameType = click.ParamType  # which older releases cannot subscript


class UpsetName(NameType):
    """The name of an upset."""

    name = "upset"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> str:
        """See the base class."""
        del param, ctx
        from difflib import get_close_matches

        from bench.base.units import shown
        from bench.trial.upset.named import NAMES

        if value not in NAMES:
            near = get_close_matches(str(value), NAMES, n=1)
            mend = f"did you mean {near[0]}?" if near else ""
            known = ", ".join(NAMES)
            fault = Fault("no such upset", shown(value), known, "--trial", mend)
            raise UsageError(fault)
        return str(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """See the base class."""
        del ctx, param
        from bench.trial.upset.named import UPSETS

        return [
            CompletionItem(one.name, help=one.line)
            for one in UPSETS
            if one.name.startswith(incomplete)
        ]


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str
    overrides: tuple[str, ...]
    trials: tuple[str, ...]
    times: int | None
    duration_ns: int | None
    seed: int | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


class _ListedHelp(click.Command):
    """A command whose help lists every upset."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """See the base class."""
        from bench.trial.upset.named import UPSETS

        with formatter.section("Trials"):
            formatter.write_dl([(one.name, one.line) for one in UPSETS])
        super().format_epilog(ctx, formatter)


@click.command(
    cls=_ListedHelp, short_help="Upset the bus or the boards; do they get over it?"
)
@profile_argument()
@set_option
@click.option(
    "--trial",
    "trials",
    type=UpsetName(),
    metavar="NAME",
    multiple=True,
    help="One of those below; repeatable; all of them unless given.",
)
@click.option(
    "--times",
    type=Whole(1, 1000),
    metavar="N",
    help="At how many instants each of them strikes; 3.",
)
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="How long it lasts, where it takes time; a good frame, and long enough for "
    "darkness where nodes darken.",
)
@seed_option
@run_options
@click.pass_obj
def upset(session: Session, /, **options: Any) -> int:
    """Upset the bus or the boards of PROFILE, and see whether they get over it.

    Each trial is good traffic, something that happens to the line or to the simulated
    nodes, and good traffic again. Nothing wrong may be shown at any time, and every
    node has to show again by a bound that follows from the profile.
    """
    given = _Options(**options)
    session.profile = given.profile
    from bench.api import load_profile
    from bench.report.terminal import Out

    profile = load_profile(given.profile, given.overrides)
    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    facts = {"point": point_of(given.overrides), "command": _command(given, seed)}
    request: dict[str, Any] = {
        "profile": profile,
        "upsets": given.trials,
        "duration": given.duration_ns,
        "seed": seed,
        "logs": given.logs,
        "dut": device_of(given.dut, given.firmware),
        "facts": facts,
        "on_log_failure": given.on_log_failure,
    }
    if given.times is not None:
        request["times"] = given.times
    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
    result = _upset(session, given, request, out)
    _told(result, given, out)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that does the same again."""
    from bench.report.summary import typed

    words = ["nightbench", "upset", given.profile]
    for override in given.overrides:
        words += ["--set", override]
    for name in given.trials:
        words += ["--trial", name]
    if given.times is not None:
        words += ["--times", str(given.times)]
    if given.duration_ns is not None:
        words += ["--for", typed(given.duration_ns)]
    return [*words, "--seed", str(seed)]


def _upset(
    session: Session, given: _Options, request: dict[str, Any], out: Out
) -> UpsetResult:
    """Run it, with somebody looking on."""
    from bench.api_upset import upset as strike
    from bench.report.terminal import Out, Unmoved
    from bench.report.upsets import TrialsTold

    watcher: Watcher = Unmoved()
    if not given.quiet:
        watcher = TrialsTold(Out(sys.stderr) if given.as_json else out)
    return strike(**request, watcher=Noting(session, watcher), stop=session.stop)


def _told(result: UpsetResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.upsets import upset_brief, upset_page

        made = upset_brief if given.quiet else upset_page
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)
