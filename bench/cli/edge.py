"""`nightbench edge`: the last good and the first bad value of one thing, and why."""

from __future__ import annotations

import secrets
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import ExitCode
from bench.cli.links import ALLOW_FAILING, LinkChoice
from bench.cli.options import (
    Duration,
    Whole,
    _paths,
    point_of,
    profile_argument,
    set_option,
)
from bench.cli.runs import DRAWN_SEED, Noting, device_of, run_options, seed_option
from bench.cli.search import make_link_of, octets_of, trial_options, words_of
from bench.cli.told import say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from bench.api_search.edges import EdgeResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str
    overrides: tuple[str, ...]
    vary: str | None
    start: str | None
    end: str | None
    to_within: str | None
    scale: str | None
    method: str | None
    repeats: int | None
    duration_ns: int | None
    packets: int | None
    seed: int | None
    jobs: int | None
    way: LinkChoice
    allow_failing: bool
    before: str | None
    before_packet: str | None
    reset: str | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


class _ListedHelp(click.Command):
    """A command whose help lists the named methods."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """See the base class."""
        from bench.trial.edge.methods import METHODS

        with formatter.section("Methods"):
            formatter.write_dl(
                [
                    (name, f"{ours} (RFC 2544, section {theirs})")
                    for name, (ours, theirs) in METHODS.items()
                ]
            )
        super().format_epilog(ctx, formatter)


@click.command(
    cls=_ListedHelp, short_help="Find where one value stops working, and why."
)
@profile_argument()
@set_option
@click.option(
    "--vary",
    metavar="PATH",
    shell_complete=_paths,
    help="What is varied: a dotted path as for --set, or load, foreign. With "
    "bus.baud_offset, the window of bauds that each node takes.",
)
@click.option("--from", "start", metavar="A", help="One end, as a profile writes it.")
@click.option("--to", "end", metavar="B", help="The other; one of the two has to fail.")
@click.option(
    "--to-within",
    metavar="STEP",
    help="How close: 1% of the value, or a quantity of its kind; 1%.",
)
@click.option(
    "--scale",
    type=click.Choice(["log", "linear"]),
    help="Whether ratios are halved, or differences; ratios where they can be.",
)
@click.option("--method", metavar="NAME", help="One of those below, instead of --vary.")
@click.option(
    "--repeat",
    "repeats",
    type=Whole(1, 1000),
    metavar="N",
    help="Trials of each value; 3 where something is drawn or boards are real, else 1.",
)
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="Bus time of the trials of a value that decide, together; 60 s.",
)
@click.option(
    "--packets", type=Whole(1, 2**62), metavar="N", help="Packets of a trial at most."
)
@seed_option
@trial_options
@click.option(
    "--reset",
    metavar="COMMAND",
    help="What resets real boards, for that method; run in the midst of traffic.",
)
@run_options
@click.pass_obj
def edge(session: Session, /, **options: Any) -> int:
    """Find the last good and the first bad value of one thing in PROFILE, and why.

    One end has to work and the other to fail. Between them values are halved, some more
    are tried on both sides, and the last good one is tried for long.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
    result = _found(session, given, out)
    _told(result, given, out)
    if result.exit_code == ExitCode.USAGE:
        say(result.reason)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


def _found(session: Session, given: _Options, out: Out) -> EdgeResult:
    """Look for it, with somebody looking on."""
    from bench.api_search.edges import edge as find
    from bench.report.terminal import Out, Unmoved
    from bench.report.told import ManyTold

    way, allow, quiet = given.way, given.allow_failing, given.quiet
    make_link = make_link_of(way, session, allowed=allow, quiet=quiet)
    looking = ManyTold(Out(sys.stderr) if given.as_json else out)
    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    facts = {"point": point_of(given.overrides), "command": _command(given, seed)}
    try:
        return find(
            given.profile,
            given.vary,
            given.start,
            given.end,
            method=given.method,
            overrides=given.overrides,
            to_within=given.to_within,
            scale=given.scale,
            repeats=given.repeats,
            packets=given.packets,
            duration=given.duration_ns,
            seed=seed,
            jobs=given.jobs,
            make_link=make_link,
            allowed=given.way.allowed,
            before=given.before,
            before_packet=octets_of(given.before_packet),
            reset=given.reset,
            logs=given.logs,
            dut=device_of(given.dut, given.firmware),
            facts=facts,
            on_log_failure=given.on_log_failure,
            watcher=Noting(session, Unmoved() if given.quiet else looking),
            stop=session.stop,
        )
    finally:
        looking.close()


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that does the same again."""
    from bench.report.summary import typed

    words = ["nightbench", "edge", given.profile]
    for override in given.overrides:
        words += ["--set", override]
    duration = None if given.duration_ns is None else typed(given.duration_ns)
    words += words_of(
        [
            ("--method", given.method),
            ("--vary", given.vary),
            ("--from", given.start),
            ("--to", given.end),
            ("--to-within", given.to_within),
            ("--scale", given.scale),
            ("--repeat", given.repeats),
            ("--for", duration),
            ("--packets", given.packets),
        ]
    )
    words += given.way.words()
    words += words_of([(ALLOW_FAILING, given.allow_failing)])
    befores = [("--before", given.before), ("--before-packet", given.before_packet)]
    befores.append(("--reset", given.reset))
    return [*words, *words_of(befores), "--seed", str(seed)]


def _told(result: EdgeResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.edge import edge_brief, edge_page

        made = edge_brief if given.quiet else edge_page
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)
