"""`nightbench fuzz`: rubbish on the line; what breaks a board, and how little?"""

from __future__ import annotations

import secrets
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from bench.base.errors import Fault, UsageError
from bench.cli.links import ALLOW_FAILING, LinkChoice, failing_option, link_options
from bench.cli.options import (
    Duration,
    Whole,
    point_of,
    profile_argument,
    set_option,
)
from bench.cli.runs import DRAWN_SEED, Noting, device_of, run_options, seed_option
from bench.cli.search import make_link_of, words_of
from bench.cli.told import say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from bench.api_fuzz import FuzzResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out

    NameType = click.ParamType[str]
else:
    NameType = click.ParamType  # which older releases cannot subscript


class AttackName(NameType):
    """The name of an attack."""

    name = "attack"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> str:
        """See the base class."""
        del param, ctx
        from difflib import get_close_matches

        from bench.base.units import shown
        from bench.fuzz.attacks.kinds import NUMBER_OF

        if value not in NUMBER_OF:
            near = get_close_matches(str(value), NUMBER_OF, n=1)
            mend = f"did you mean {near[0]}?" if near else ""
            known = ", ".join(NUMBER_OF)
            fault = Fault("no such attack", shown(value), known, "--attack", mend)
            raise UsageError(fault)
        return str(value)

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """See the base class."""
        del ctx, param
        from bench.fuzz.attacks.kinds import KINDS

        return [
            CompletionItem(one.name, help=one.sentence)
            for one in KINDS
            if one.name.startswith(incomplete)
        ]


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str | None
    overrides: tuple[str, ...]
    attacks: tuple[str, ...]
    node: str | None
    duration_ns: int | None
    cases: int | None
    seed: int | None
    resume: str | None
    corpus: str
    revive: str | None
    jobs: int | None
    cluster: str | None
    way: LinkChoice
    allow_failing: bool
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


class _ListedHelp(click.Command):
    """A command whose help lists every attack."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """See the base class."""
        from bench.fuzz.attacks.kinds import KINDS

        with formatter.section("Attacks"):
            formatter.write_dl([(one.name, one.sentence) for one in KINDS])
        super().format_epilog(ctx, formatter)


def corpus_option(command: Any) -> Any:
    """Where cases are kept."""
    return click.option(
        "--corpus",
        metavar="DIR",
        default="corpus",
        type=click.Path(),
        help="The folder of cases that broke something; ./corpus.",
    )(command)


@click.command(cls=_ListedHelp, short_help="Rubbish on the line: what breaks a board?")
@profile_argument(required=False)
@set_option
@click.option(
    "--attack",
    "attacks",
    type=AttackName(),
    metavar="NAME",
    multiple=True,
    help="One of those below; repeatable; all that the packets allow unless given.",
)
@click.option("--node", metavar="NAME", help="The node that is attacked; the first.")
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="How long, by the clock on the wall; 2 min, unless there is --cases.",
)
@click.option("--cases", type=Whole(1, 2**62), metavar="N", help="How many cases.")
@seed_option
@click.option("--resume", metavar="RUN", help="Go on with a campaign, by its folder.")
@corpus_option
@click.option(
    "--revive",
    metavar="COMMAND",
    help="Run when a board is dead, to switch its power off and on; then goes on.",
)
@click.option(
    "--jobs",
    type=Whole(1, 1024),
    metavar="N",
    help="Processes that attack simulated nodes; as many as there are cores.",
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Cases are tried on a Dask cluster, tcp://…"
)
@link_options
@failing_option
@run_options
@click.pass_obj
def fuzz(session: Session, /, **options: Any) -> int:
    """Attack a node of PROFILE with traffic made from its own packets.

    Each case is good traffic, an attack or some, and good traffic again. Nothing may be
    shown that a receiver by the profile would not show, and the node has to show good
    packets again within a bound that follows from the profile. What breaks it is made
    as small as it can be, told as a note for the bench, and kept in the corpus, which
    the next campaign replays first.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile or ""
    _refuse(given)
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold(attacks=True)
    result = _attacked(session, given, out)
    _told(result, given, out)
    for fault in result.figures["fuzz"]["corpus"]["faults"]:
        say(fault)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


def _refuse(given: _Options) -> None:
    """Refuse options that say nothing together.

    Raises:
        UsageError: If they do not.
    """
    if given.resume is None and given.profile is None:
        raise UsageError(Fault("missing argument", "PROFILE", mend="or --resume RUN"))
    said = given.profile or given.overrides or given.attacks or given.node
    if given.resume is not None and (said or given.seed is not None):
        what = "a campaign that is gone on with has its profile, attacks and seed"
        raise UsageError(Fault(what, where="--resume"))
    if given.revive is not None and given.way.is_simulated:
        fault = Fault("simulated nodes need no reviving", given.revive, "", "--revive")
        raise UsageError(fault)


def _attacked(session: Session, given: _Options, out: Out) -> FuzzResult:
    """Run it, with somebody looking on."""
    from bench.api_fuzz import fuzz as attack
    from bench.api_fuzz import resume_fuzz
    from bench.report.fuzz.told import CampaignTold
    from bench.report.terminal import Out, Unmoved

    way, allow, quiet = given.way, given.allow_failing, given.quiet
    make_link = make_link_of(way, session, allowed=allow, quiet=quiet)
    looking = CampaignTold(Out(sys.stderr) if given.as_json else out)
    request: dict[str, Any] = {
        "duration": given.duration_ns,
        "cases": given.cases,
        "jobs": given.jobs,
        "cluster": given.cluster,
        "make_link": make_link,
        "allowed": given.way.allowed,
        "revive": given.revive,
        "corpus": given.corpus,
        "on_log_failure": given.on_log_failure,
        "watcher": Noting(session, Unmoved() if quiet else looking),
        "stop": session.stop,
    }
    try:
        if given.resume is not None:
            return resume_fuzz(given.resume, **request)
        seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
        facts = {"point": point_of(given.overrides), "command": _command(given, seed)}
        return attack(
            given.profile or "",
            overrides=given.overrides,
            attacks=given.attacks,
            node=given.node,
            seed=seed,
            logs=given.logs,
            dut=device_of(given.dut, given.firmware),
            facts=facts,
            **request,
        )
    finally:
        looking.close()


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that does the same again."""
    from bench.report.summary import typed

    words = ["nightbench", "fuzz", given.profile or ""]
    for override in given.overrides:
        words += ["--set", override]
    for attack in given.attacks:
        words += ["--attack", attack]
    duration = None if given.duration_ns is None else typed(given.duration_ns)
    limits = [("--for", duration), ("--cases", given.cases), ("--node", given.node)]
    words += words_of(limits)
    words += given.way.words()
    words += words_of([(ALLOW_FAILING, given.allow_failing)])
    words += words_of([("--revive", given.revive)])
    if given.corpus != "corpus":
        words += ["--corpus", given.corpus]
    return [*words, "--seed", str(seed)]


def _told(result: FuzzResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.fuzz.page import fuzz_brief, fuzz_page

        told = result.as_dict(), result.facts, out.width
        return fuzz_brief(*told) if given.quiet else fuzz_page(*told, whole=False)

    tell_result(result, out, page, as_json=given.as_json)
