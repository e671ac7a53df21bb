"""`nightbench listen`: what is on a bus that somebody else drives."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from bench.cli.held import held_as, held_options, held_words
from bench.cli.options import Duration, point_of, profile_argument, set_option
from bench.cli.runs import device_of, run_options
from bench.cli.told import say, settled, tell_result

if TYPE_CHECKING:
    from pathlib import Path

    from bench.api_listen import ListenResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str
    overrides: tuple[str, ...]
    link: str
    port: tuple[str, ...]
    duration_ns: int | None
    record: str | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


@click.command(short_help="Listen on a bus that somebody else drives; never sends.")
@profile_argument()
@set_option
@held_options
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="So long, 10s or 8h; until it is stopped where nothing is said.",
)
@click.option(
    "--record",
    metavar="FILE",
    type=click.Path(),
    help="Keep what is heard in a file that `stream --recorded` plays back.",
)
@run_options
@click.pass_obj
def listen(session: Session, /, **options: Any) -> int:
    """Listen on a bus of PROFILE that somebody else drives; nothing is ever sent.

    What is sent to whom, how often and how evenly, what is no sound packet, and whether
    this traffic fits what the boards of the profile can do.
    """
    given = _Options(**options)
    session.profile = given.profile
    from bench.api import load_profile
    from bench.report.terminal import Out

    profile = load_profile(given.profile, given.overrides)
    request = {
        "profile": profile,
        "link": given.link,
        "link_options": held_as(given.port),
        "duration": given.duration_ns,
        "record": given.record,
        "logs": given.logs,
        "dut": device_of(given.dut, given.firmware),
        "facts": {"point": point_of(given.overrides), "command": _command(given)},
        "on_log_failure": given.on_log_failure,
    }
    out = Out(sys.stdout)
    result = _listened(session, given, request, out)
    _told(result, given, out)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    if result.figures["link_lost"]:
        say(result.figures["link_lost"])
    return settled(out, result.exit_code)


def _command(given: _Options) -> list[str]:
    """The words of a command that does the same again."""
    from bench.report.summary import typed

    words = ["nightbench", "listen", given.profile]
    words += held_words(given.link, given.port)
    for override in given.overrides:
        words += ["--set", override]
    if given.duration_ns is not None:
        words += ["--for", typed(given.duration_ns)]
    return words


def _listened(
    session: Session, given: _Options, request: dict[str, Any], out: Out
) -> ListenResult:
    """Run it, with somebody looking on."""
    from bench.api_listen import listen as hear
    from bench.report.listen import onlooker
    from bench.report.terminal import Out

    looker = None
    if not given.quiet:
        looker = onlooker(Out(sys.stderr) if given.as_json else out)

    def begun(folder: Path) -> None:
        session.run = folder

    try:
        return hear(**request, onlooker=looker, begun=begun, stop=session.stop)
    finally:
        if looker is not None:
            looker.close()


def _told(result: ListenResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.listen import listen_brief, listen_page

        made = listen_brief if given.quiet else listen_page
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)
