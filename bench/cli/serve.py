"""`nightbench serve`: the simulated nodes in real time, for any other program."""

from __future__ import annotations

import json
import secrets
import shlex
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from bench.base.errors import ExitCode, Fault, UsageError
from bench.cli.options import (
    Duration,
    Whole,
    point_of,
    profile_argument,
    set_option,
)
from bench.cli.runs import DRAWN_SEED, seed_option
from bench.cli.told import say, say_if_cold, settled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.cli.options import Session
    from bench.link.far.pseudo import FarPty
    from bench.link.far.tcp import FarTcp
    from bench.profile import Profile
    from bench.report.terminal import Out
    from bench.trial.serve.served import Figures

    NameType = click.ParamType[str]
else:
    NameType = click.ParamType  # which older releases cannot subscript


class DefectName(NameType):
    """A fault by its name, with or without a value; read once the profile is known."""

    name = "fault"

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """See the base class."""
        del ctx, param
        from bench.trial.serve.named import DEFECTS

        return [
            CompletionItem(one.name, help=one.told)
            for one in DEFECTS
            if one.name.startswith(incomplete)
        ]


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str
    overrides: tuple[str, ...]
    pty: str | None
    tcp: int | None
    host: str | None
    defects: tuple[str, ...]
    silent: bool
    duration_ns: int | None
    seed: int | None
    as_json: bool
    quiet: bool


class _ListedHelp(click.Command):
    """A command whose help lists every fault."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """See the base class."""
        from bench.trial.serve.named import DEFECTS

        with formatter.section("Faults"):
            formatter.write_dl([(one.written, one.told) for one in DEFECTS])
        super().format_epilog(ctx, formatter)


@click.command(cls=_ListedHelp, short_help="Be the nodes, for any other program.")
@profile_argument()
@set_option
@click.option(
    "--pty",
    metavar="PATH",
    type=click.Path(),
    help="Put a link to the pty at PATH; its own name is told unless given.",
)
@click.option(
    "--tcp",
    type=Whole(0, 65535),
    metavar="PORT",
    help="A TCP port instead of a pty, 0 for one that is free; this machine only.",
)
@click.option(
    "--host",
    metavar="ADDRESS",
    help="With --tcp: listen on this address, for other machines.",
)
@click.option(
    "--fault",
    "defects",
    type=DefectName(),
    metavar="NAME[=VALUE]",
    multiple=True,
    help="One of those below: what the nodes do wrong; repeatable.",
)
@click.option("--silent", is_flag=True, help="No sighting lines on the way back.")
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="End by itself after so long.",
)
@seed_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object at the end.")
@click.option("--quiet", is_flag=True, help="Only how to reach it, and the summary.")
@click.pass_obj
def serve(session: Session, /, **options: Any) -> int:
    """Serve the simulated nodes of PROFILE in real time behind a pty or a TCP port.

    Any program may open it and send octets; they are put on a virtual wire at the baud
    of the profile. What the nodes show comes back as sighting lines. Whoever goes may
    come again, and Ctrl-C ends it.
    """
    given = _Options(**options)
    session.profile = given.profile
    from bench.api import load_profile
    from bench.report.terminal import Out

    _refuse(given)
    profile = load_profile(given.profile, given.overrides)
    out = Out(sys.stdout)
    told = Out(sys.stderr) if given.as_json else out
    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    said = _Said(given, profile, seed, told)
    figures, code = said.serve(session)
    said.conclude(out, figures, code)
    return settled(out, code)


def _refuse(given: _Options) -> None:
    """Refuse options that contradict each other.

    Raises:
        UsageError: If they do.
    """
    if given.pty is not None and given.tcp is not None:
        raise UsageError(Fault("a pty or a TCP port, not both", where="--pty, --tcp"))
    if given.host is not None and given.tcp is None:
        fault = Fault("an address without a port", given.host, "--tcp PORT", "--host")
        raise UsageError(fault)


def _far(given: _Options) -> FarPty | FarTcp:
    """The far side that is asked for."""
    if given.tcp is None:
        from bench.link.far.pseudo import FarPty

        return FarPty(given.pty)
    from bench.link.far.tcp import LOOPBACK, FarTcp

    if given.host is not None:
        say(f"listening on {given.host}: whoever reaches it can open the port")
    return FarTcp(given.tcp, given.host or LOOPBACK)


def stream_command(given: Sequence[str], where: str, *, silent: bool) -> list[str]:
    """The words of the command that streams to a served node.

    Nothing is lit by it, so that any pattern may be sent.

    Args:
        given: The profile and its overrides.
        where: The port.
        silent: Whether it writes no sighting lines.
    """
    from bench.traffic.light import ALLOW_BRIGHT, ALLOW_FLASHING

    words = ["nightbench", "stream", given[0]]
    for override in given[1:]:
        words += ["--set", override]
    if not silent:
        words += ["--set", "observe.by=lines"]
    return [*words, ALLOW_BRIGHT, ALLOW_FLASHING, "--link", where]


class _Said:
    """One served node from its head to its summary."""

    def __init__(self, given: _Options, profile: Profile, seed: int, told: Out) -> None:
        from bench.trial.serve.named import defects_of
        from bench.trial.serve.served import Served

        self._given = given
        self._profile = profile
        self._seed = seed
        self._told = told
        defects = defects_of(given.defects, profile)
        self._served = Served(profile, defects, seed=seed, silent=given.silent)
        self._facts: dict[str, Any] = {}

    def serve(self, session: Session) -> tuple[Figures, int]:
        """Serve to the end; the figures and the exit code."""
        from bench.base.clock import SystemClock
        from bench.trial.serve.run import Serving
        from bench.trial.serve.served import warm

        if not self._given.quiet:
            say_if_cold()
        warm(self._profile, resets=any("reset" in one for one in self._given.defects))
        far = _far(self._given)
        onlooker = self._onlooker()
        try:
            self._head(far.where)
            serving = Serving(self._served, far, SystemClock(), onlooker)
            figures = serving.run(session.stop, self._given.duration_ns)
        finally:
            onlooker.close()
            far.close()
        number = session.stop()
        self._facts |= {
            "visitors": far.openings,
            "longest_slice_ns": serving.longest_ns,
            "signal": number,
        }
        return figures, int(ExitCode.PASS) if number is None else 128 + number

    def conclude(self, out: Out, figures: Figures, code: int) -> None:
        """The summary."""
        from bench.report.serve import standing_page
        from bench.report.terminal import show

        if self._given.as_json:
            content = self._facts | {
                "profile": self._profile.name,
                "point": point_of(self._given.overrides),
                "faults": list(self._given.defects),
                "seed": self._seed,
                "exit_code": code,
            }
            text = json.dumps(content | figures.as_dict(), allow_nan=False)
            out.write(text + "\n")
            return
        if code and out.is_terminal:
            out.write("\n")  # what was typed stands there
        show(standing_page(figures, about=self._served_in_all(figures)), out)

    def _onlooker(self) -> Any:
        from bench.report.serve import ServeUnmoved, serve_onlooker

        if self._given.quiet:
            return ServeUnmoved()
        return serve_onlooker(self._told)

    def _head(self, where: str) -> None:
        """What is served, and how to reach it."""
        from bench.base.units import BAUD
        from bench.report.serve import head_page
        from bench.report.terminal import show

        given, profile = self._given, self._profile
        words = stream_command(
            [given.profile, *given.overrides], where, silent=given.silent
        )
        command = shlex.join(words)
        nodes = "1 node" if len(profile.node) == 1 else f"{len(profile.node)} nodes"
        baud = BAUD.text(profile.bus.baud)
        what = f"{profile.name}: {nodes} at {baud}, seed {self._seed}"
        if given.defects:
            what += f", bad on purpose: {', '.join(given.defects)}"
        self._facts |= {"where": where, "reach_it_by": words}
        show(head_page(what, where, command, self._told.width), self._told)
        self._told.flush()

    def _served_in_all(self, figures: Figures) -> list[tuple[str, str]]:
        """Whom it served, for how long, and how well this process kept up."""
        from bench.base.units import format_ns

        visitors = self._facts["visitors"]
        who = {0: "nobody came", 1: "1 visitor"}.get(visitors, f"{visitors} visitors")
        text = f"{who}, {format_ns(figures.spent_ns, 3)} since the first character"
        longest = format_ns(self._facts["longest_slice_ns"], 3)
        pace = f"at most {longest}, by which octets may have been stamped late"
        return [("served", text), ("held up", pace)]
