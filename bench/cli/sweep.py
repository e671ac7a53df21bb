"""`nightbench sweep`: every point of a grid, and what became of it."""

from __future__ import annotations

import secrets
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
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
    from bench.api_search.sweeps import SweepResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str | None
    overrides: tuple[str, ...]
    over: tuple[str, ...]
    resume: str | None
    duration_ns: int | None
    packets: int | None
    seed: int | None
    jobs: int | None
    cluster: str | None
    way: LinkChoice
    allow_failing: bool
    before: str | None
    before_packet: str | None
    output: str | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


@click.command(short_help="Try every point of a grid; where does it fail?")
@profile_argument(required=False)
@set_option
@click.option(
    "--over",
    multiple=True,
    metavar="PATH=SPEC",
    shell_complete=_paths,
    help="What is varied, repeatable: PATH='FROM .. TO, N' or 'FROM .. TO, N log' or "
    "'A; B; C'. A dotted path as for --set, or load, foreign, seed.",
)
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="Bus time of each point; 1 s, and 20 frames at least.",
)
@click.option(
    "--packets", type=Whole(1, 2**62), metavar="N", help="Packets of each point."
)
@seed_option
@click.option("--resume", metavar="RUN", help="Go on with a sweep, by its folder.")
@click.option(
    "--cluster", metavar="ADDRESS", help="Points are tried on a Dask cluster, tcp://…"
)
@trial_options
@click.option(
    "-o",
    "--output",
    metavar="FILE",
    type=click.Path(),
    help="Write the points as a table, .csv or .parquet; the ledger has one anyway.",
)
@run_options
@click.pass_obj
def sweep(session: Session, /, **options: Any) -> int:
    """Try every point of a grid over PROFILE, and tell where it fails, and why.

    Each point is one trial, and one record in the ledger as soon as it is done, so that
    a sweep that was stopped goes on with --resume.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile or ""
    _refuse(given)
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
    result = _swept(session, given, out)
    code = result.exit_code
    if given.output is not None:
        _write(given.output, result)
    _told(result, given, out)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, code)


def _refuse(given: _Options) -> None:
    """Refuse options that say nothing together.

    Raises:
        UsageError: If they do not.
    """
    if given.resume is None and given.profile is None:
        raise UsageError(Fault("missing argument", "PROFILE", mend="or --resume RUN"))
    if given.resume is not None and (given.profile or given.over or given.overrides):
        what = "a sweep that is gone on with has its profile and its axes"
        raise UsageError(Fault(what, where="--resume"))
    if given.output and not given.output.endswith((".csv", ".parquet")):
        expected = "a name that ends in .csv or .parquet"
        raise UsageError(Fault("no such table", given.output, expected, "--output"))


def _swept(session: Session, given: _Options, out: Out) -> SweepResult:
    """Run it, with somebody looking on."""
    from bench.api_search.sweeps import resume_sweep
    from bench.api_search.sweeps import sweep as try_all
    from bench.report.terminal import Out, Unmoved
    from bench.report.told import ManyTold

    way, allow, quiet = given.way, given.allow_failing, given.quiet
    make_link = make_link_of(way, session, allowed=allow, quiet=quiet)
    looking = ManyTold(Out(sys.stderr) if given.as_json else out)
    request: dict[str, Any] = {
        "jobs": given.jobs,
        "cluster": given.cluster,
        "make_link": make_link,
        "allowed": given.way.allowed,
        "on_log_failure": given.on_log_failure,
        "watcher": Noting(session, Unmoved() if given.quiet else looking),
        "stop": session.stop,
    }
    try:
        if given.resume is not None:
            return resume_sweep(given.resume, **request)
        seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
        facts = {"point": point_of(given.overrides), "command": _command(given, seed)}
        return try_all(
            given.profile or "",
            given.over,
            overrides=given.overrides,
            packets=given.packets,
            duration=given.duration_ns,
            seed=seed,
            before=given.before,
            before_packet=octets_of(given.before_packet),
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

    words = ["nightbench", "sweep", given.profile or ""]
    for override in given.overrides:
        words += ["--set", override]
    for axis in given.over:
        words += ["--over", axis]
    duration = None if given.duration_ns is None else typed(given.duration_ns)
    words += words_of([("--packets", given.packets), ("--for", duration)])
    words += given.way.words()
    words += words_of([(ALLOW_FAILING, given.allow_failing)])
    befores = [("--before", given.before), ("--before-packet", given.before_packet)]
    return [*words, *words_of(befores), "--seed", str(seed)]


def _write(file: str, result: SweepResult) -> None:
    """The points as a table in a file.

    Raises:
        UsageError: If it cannot be written.
    """
    from pathlib import Path

    from bench.report.points import as_csv, as_parquet, columns_of

    columns = columns_of(result.points, result.figures["axes"])
    octets = as_csv(columns) if file.endswith(".csv") else as_parquet(columns)
    try:
        Path(file).write_bytes(octets)
    except OSError as error:
        reason = error.strerror or str(error)
        fault = Fault("table not written", reason, where=file)
        raise UsageError(fault) from error


def _told(result: SweepResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.api import StreamResult
        from bench.report.sweep import sweep_brief, sweep_page

        made = sweep_brief if given.quiet else sweep_page
        columns = out.columns if out.isatty() else out.width
        verdict = StreamResult.as_dict(result)
        return made(verdict, result.facts, result.points, out.width, columns)

    tell_result(result, out, page, as_json=given.as_json)
