"""`nightbench drive`: turn what is sent while it is sent, an oscilloscope beside."""

from __future__ import annotations

import secrets
import sys
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.hands import hands_of, is_terminal, single_keys
from bench.cli.links import ALLOW_FAILING, LinkChoice, failing_option, link_options
from bench.cli.options import Duration, point_of, profile_argument, set_option
from bench.cli.runs import DRAWN_SEED, device_of, run_options, seed_option
from bench.cli.told import say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.api_drive import DriveResult, LinkGiven
    from bench.cli.options import Session
    from bench.profile import Profile
    from bench.report.drive.looker import DriveUnmoved
    from bench.report.terminal import Out
    from bench.trial.drive.asked.script import Asked


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str
    overrides: tuple[str, ...]
    way: LinkChoice
    script: str | None
    duration_ns: int | None
    trigger_line: Any
    allow_failing: bool
    seed: int | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


class _KeyedHelp(click.Command):
    """A command whose help lists every key and every command."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """See the base class."""
        from bench.trial.drive.asked.keys import key_lines

        with formatter.section("Keys"):
            formatter.write_dl(key_lines())
        with formatter.section("Commands, after a colon or one a line"):
            formatter.write_dl(_COMMANDS)
        super().format_epilog(ctx, formatter)


_COMMANDS = [
    ("set PATH=VALUE", "traffic.… and bus.baud; several, parted by ' ; '"),
    ("up WHAT, down WHAT", "nodes, share, length, rate, pattern, pacing, baud"),
    ("hold, go", "nothing but idle or fill, and on again"),
    ("packet, frame", "one of them, then hold"),
    ("bad KIND", "a malformed packet: check, short, length, address"),
    ("trigger [GAP]", "a quiet gap, 2 ms at least, and the next packet after it"),
    ("mark TEXT", "a note in the ledger"),
    ("at TIME COMMAND", "the same at an instant of the drive, as in a script"),
    ("quit", "the end"),
]


@click.command(cls=_KeyedHelp, short_help="Turn things by hand while traffic runs.")
@profile_argument()
@set_option
@click.option(
    "--script",
    metavar="FILE",
    type=click.Path(),
    help="Commands with their instants, 'at 12.5 s up share' a line; the drive.txt of "
    "an earlier run does the same again.",
)
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="End by itself after so much time on the line.",
)
@click.option(
    "--trigger-line",
    type=click.Choice(["dtr", "rts"]),
    help="The modem line that is switched around a trigger's packet.",
)
@seed_option
@link_options
@failing_option
@run_options
@click.pass_obj
def drive(session: Session, /, **options: Any) -> int:
    """Drive the nodes of PROFILE by hand: what is sent is turned while it is sent.

    Without --link the nodes are simulated, in real time. A change takes effect between
    two packets, after what is on its way; baud and pacing take the link up anew. Every
    change is a mark in the ledger, and all of them are a script that does it again.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile
    from bench.api import load_profile
    from bench.report.terminal import Out

    profile = load_profile(given.profile, given.overrides)
    script = _script(given.script)
    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
        given.way.caution()
    result = _driven(session, given, (profile, script), out)
    _told(result, given, out)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


def _script(name: str | None) -> list[Asked]:
    """The commands of a script.

    Raises:
        UsageError: If it cannot be read, or holds a line that is none.
    """
    from bench.trial.drive.asked.script import read_script

    if name is None:
        return []
    try:
        text = Path(name).read_bytes().decode()
    except UnicodeDecodeError as error:
        what = f"not UTF-8 from octet {error.start} on"
        raise UsageError(Fault(what, name, "UTF-8", "--script")) from error
    except (OSError, ValueError) as error:
        why = error.strerror if isinstance(error, OSError) else str(error)
        raise UsageError(Fault(str(why).lower(), name, where="--script")) from error
    return read_script(text, name)


def _driven(
    session: Session,
    given: _Options,
    what: tuple[Profile, Sequence[Asked]],
    out: Out,
) -> DriveResult:
    """Drive, with hands on it and somebody looking on."""
    from bench.api_drive import drive as by_hand
    from bench.link.live import LEAD_NS
    from bench.report.drive.looker import DriveUnmoved, drive_looker
    from bench.report.terminal import Out

    profile, script = what
    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    lead_ns = given.way.lead_ns or LEAD_NS
    looker: DriveUnmoved = DriveUnmoved(say)
    if not given.quiet:
        looker = drive_looker(Out(sys.stderr) if given.as_json else out, say, lead_ns)
    looker.link = given.way.link
    facts = {
        "point": point_of(given.overrides),
        "named": given.profile,
        "command": _command(given, seed),
    }
    with ExitStack() as stack:
        by_key = is_terminal() and stack.enter_context(single_keys(sys.stdin))
        hands = hands_of(sys.stdin, looker.refused, by_key=by_key)
        if hands is not None and (script or given.duration_ns is not None):
            hands.keep_on()
        looker.hands = hands
        stack.callback(looker.close)
        return by_hand(
            profile,
            link=_link(session, given, profile, seed),
            script=script,
            hands=None if hands is None else hands.take,
            duration_ns=given.duration_ns,
            seed=seed,
            logs=given.logs,
            dut=device_of(given.dut, given.firmware),
            facts=facts,
            on_log_failure=given.on_log_failure,
            looker=_Noting(session, looker),
            stop=session.stop,
        )


def _link(
    session: Session, given: _Options, profile: Profile, seed: int
) -> LinkGiven | None:
    """How a link is opened; None for simulated nodes in this process."""
    from bench.api_drive import LinkGiven
    from bench.cli.links import say_where
    from bench.link.live import LEAD_NS

    way = given.way

    def opened(values: Profile) -> Any:
        link = way.open(values, session, seed=seed)
        assert link is not None  # simulated ones are not opened here
        say_where(link)
        return link

    if way.is_simulated:
        way.open(profile, session)  # refuses options that only a link has
        return None
    return LinkGiven(
        way.link,
        opened,
        way.lead_ns or LEAD_NS,
        way.allowed,
        given.allow_failing,
        given.trigger_line,
    )


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that begins the same."""
    from bench.report.summary import typed

    words = ["nightbench", "drive", given.profile]
    for override in given.overrides:
        words += ["--set", override]
    if given.duration_ns is not None:
        words += ["--for", typed(given.duration_ns)]
    if given.trigger_line is not None:
        words += ["--trigger-line", given.trigger_line]
    if given.allow_failing:
        words.append(ALLOW_FAILING)
    return [*words, *given.way.words(), "--seed", str(seed)]


def _told(result: DriveResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""
    from bench.report.drive.page import drive_brief, drive_page

    made = drive_brief if given.quiet else drive_page
    tell_result(
        result,
        out,
        lambda: made(result.as_dict(), result.facts, out.width),
        as_json=given.as_json,
    )


class _Noting:
    """A looker that notes where the run is kept."""

    def __init__(self, session: Session, looker: DriveUnmoved) -> None:
        self._session = session
        self.marked = looker.marked
        self.stands = looker.stands
        self.relinks = looker.relinks
        self._looker = looker

    def begun(self, folder: Path) -> None:
        """See `bench.trial.drive.told.Looker`."""
        self._session.run = folder
        self._looker.begun(folder)
