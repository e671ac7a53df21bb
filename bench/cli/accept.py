"""`nightbench accept`: everything that a board has to pass, with one answer."""

from __future__ import annotations

import secrets
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from bench.cli.links import ALLOW_FAILING, LinkChoice, failing_option, link_options
from bench.cli.options import point_of, profile_argument, set_option
from bench.cli.runs import DRAWN_SEED, Noting, device_of, run_options, seed_option
from bench.cli.search import make_link_of, words_of
from bench.cli.told import leave_page, say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from bench.api_accept import AcceptResult, ReadPlan
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out
    from bench.trial.sweep.point import MakeLink

_MAKES_FAIL = ("edge", "upset", "corpus")
"""Kinds of steps that are meant to make a board fail."""


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str
    plan: str
    overrides: tuple[str, ...]
    seed: int | None
    way: LinkChoice
    allow_failing: bool
    resume: str | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


def _plans(
    ctx: click.Context, param: click.Parameter, incomplete: str
) -> list[CompletionItem]:
    """Plans that a shell is offered."""
    del ctx, param
    from bench.api_accept import shipped_plans

    if "/" in incomplete or incomplete.startswith("."):
        return [CompletionItem(incomplete, type="file")]
    return [
        CompletionItem(one) for one in shipped_plans() if one.startswith(incomplete)
    ]


@click.command(short_help="Carry out everything that a board has to pass.")
@profile_argument()
@click.argument("plan", shell_complete=_plans)
@set_option
@seed_option
@click.option(
    "--resume",
    metavar="RUN",
    type=click.Path(),
    help="Go on with an acceptance that was broken off; what is done stays done.",
)
@failing_option
@link_options
@run_options
@click.pass_obj
def accept(session: Session, /, **options: Any) -> int:
    """Carry out every step of PLAN on the boards of PROFILE, with one answer.

    A plan is a TOML file, or the name of a shipped one: streams, edges with the margins
    that they need, starts and silences, a corpus, a night. Each step leaves a run of
    its own. `nightbench schema --plan` helps an editor to write one.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile
    from bench.api_accept import load_plan
    from bench.report.terminal import Out

    plan = load_plan(given.plan)
    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
    result = _accepted(session, given, plan, out)
    _told(result, given, out)
    leave_page(result.run, quiet=given.quiet)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


def _accepted(
    session: Session, given: _Options, plan: ReadPlan, out: Out
) -> AcceptResult:
    """Carry it out, with somebody looking on."""
    from bench.api_accept import accept as carry_out
    from bench.report.accept import StepsTold
    from bench.report.terminal import Out, Unmoved

    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    make_link = _make_link(session, given, plan)
    looking = StepsTold(Out(sys.stderr) if given.as_json else out)
    facts = {"point": point_of(given.overrides), "command": _command(given, seed)}
    try:
        return carry_out(
            given.profile,
            plan,
            overrides=given.overrides,
            seed=seed,
            make_link=make_link,
            allowed=given.way.allowed,
            resume=given.resume,
            words=_named(given),
            logs=given.logs,
            dut=device_of(given.dut, given.firmware),
            facts=facts,
            on_log_failure=given.on_log_failure,
            watcher=Noting(session, Unmoved() if given.quiet else looking),
            stop=session.stop,
        )
    finally:
        looking.close()


def _make_link(session: Session, given: _Options, plan: ReadPlan) -> MakeLink | None:
    """What makes a link to boards; they may only be made to fail if that is meant."""
    fails = any(step.kind in _MAKES_FAIL for step in plan.plan.step)
    return make_link_of(
        given.way, session, allowed=given.allow_failing or not fails, quiet=given.quiet
    )


def _named(given: _Options) -> list[str]:
    """What a command names the profile by."""
    words = [given.profile]
    for override in given.overrides:
        words += ["--set", override]
    return words


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that does the same again."""
    words = ["nightbench", "accept", given.profile, given.plan]
    words += [*_named(given)[1:], *given.way.words()]
    words += words_of([(ALLOW_FAILING, given.allow_failing)])
    return [*words, "--seed", str(seed)]


def _told(result: AcceptResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.accept import accept_brief, accept_page

        made = accept_brief if given.quiet else accept_page
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)
