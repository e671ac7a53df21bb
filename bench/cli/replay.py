"""`nightbench replay`: a kept case, or what a run kept of an anomaly, once more."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.links import ALLOW_FAILING, LinkChoice, failing_option, link_options
from bench.cli.options import Whole, point_of, set_option
from bench.cli.runs import Noting, device_of, run_options
from bench.cli.search import make_link_of, words_of
from bench.cli.told import say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from bench.api import StreamResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    what: str
    anomaly: int | None
    profile: str | None
    overrides: tuple[str, ...]
    node: str | None
    way: LinkChoice
    allow_failing: bool
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


@click.command(short_help="A kept case, or a run's anomaly, once more.")
@click.argument("what", metavar="CASE|RUN", type=click.Path())
@click.option(
    "--anomaly",
    type=Whole(1, 2**31),
    metavar="N",
    help="Of a run: which of its anomalies; the first.",
)
@click.option(
    "--profile",
    metavar="PROFILE",
    help="Of a case: the node's profile; the one that the case names.",
)
@set_option
@click.option("--node", metavar="NAME", help="Of a case: the node; the first.")
@link_options
@failing_option
@run_options
@click.pass_obj
def replay(session: Session, /, **options: Any) -> int:
    """Send a kept CASE again, or what a RUN kept of one of its anomalies.

    A case that fails now and then is tried as often as is needed to say that it no
    longer does.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    folder = Path(given.what).is_dir()
    _refuse(given, folder=folder)
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold(attacks=True)
    result = _of_run(session, given) if folder else _of_case(session, given)
    _told(result, given, out)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


def _refuse(given: _Options, *, folder: bool) -> None:
    """Refuse options of the one with the other.

    Raises:
        UsageError: If there are any.
    """
    if not folder and given.anomaly is not None:
        fault = Fault("not the folder of a run", given.what, where="--anomaly")
        raise UsageError(fault)
    said = given.profile or given.overrides or given.node
    if folder and said:
        what = "a run has its own profile"
        raise UsageError(Fault(what, given.what, where="--profile, --set or --node"))


def _around(session: Session, given: _Options) -> dict[str, Any]:
    """What is the same for both."""
    from bench.report.terminal import Unmoved

    return {
        "logs": given.logs,
        "dut": device_of(given.dut, given.firmware),
        "facts": {"point": point_of(given.overrides), "command": _command(given)},
        "on_log_failure": given.on_log_failure,
        "watcher": Noting(session, Unmoved()),
        "stop": session.stop,
    }


def _of_case(session: Session, given: _Options) -> StreamResult:
    """A case that is kept."""
    from bench.api_fuzz import replay_case

    allow, quiet = given.allow_failing, given.quiet
    return replay_case(
        given.what,
        profile=given.profile,
        overrides=given.overrides,
        node=given.node,
        make_link=make_link_of(given.way, session, allowed=allow, quiet=quiet),
        allowed=given.way.allowed,
        **_around(session, given),
    )


def _of_run(session: Session, given: _Options) -> StreamResult:
    """An anomaly of a run; that of a campaign is a finding, and so a case."""
    from bench.api_fuzz import replay_finding
    from bench.ledger import read_run

    number, stored = given.anomaly or 1, read_run(Path(given.what))
    if "fuzz" in stored.run:
        allow, quiet = given.allow_failing, given.quiet
        return replay_finding(
            given.what,
            number,
            make_link=make_link_of(given.way, session, allowed=allow, quiet=quiet),
            allowed=given.way.allowed,
            **_around(session, given),
        )
    from bench.api import load_profile
    from bench.api_soak import replay_anomaly

    profile = load_profile(Path(given.what) / "profile.toml")
    if not given.quiet:
        given.way.caution()
    around = _around(session, given)
    link = given.way.open(profile, session, seed=stored.run.get("seed", 0))
    with nullcontext() if link is None else link:
        return replay_anomaly(
            given.what, number, link=link, allowed=given.way.allowed, **around
        )


def _command(given: _Options) -> list[str]:
    """The words of a command that does the same again."""
    words = ["nightbench", "replay", given.what]
    words += words_of([("--anomaly", given.anomaly), ("--profile", given.profile)])
    for override in given.overrides:
        words += ["--set", override]
    words += words_of([("--node", given.node)])
    return [
        *words,
        *given.way.words(),
        *words_of([(ALLOW_FAILING, given.allow_failing)]),
    ]


def _told(result: StreamResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        if "fuzz" not in result.figures:
            from bench.report.summary import brief, summary

            made = brief if given.quiet else summary
            return made(result.as_dict(), result.facts, out.width)
        from bench.report.fuzz.page import fuzz_brief, fuzz_page

        told = fuzz_brief if given.quiet else fuzz_page
        return told(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)
