"""`nightbench soak`: a night of packets, whatever happens to the host."""

from __future__ import annotations

import secrets
import sys
from contextlib import ExitStack
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.hands import is_terminal, single_keys
from bench.cli.links import LinkChoice, link_options, say_where, told_of
from bench.cli.options import Duration, Whole, point_of, profile_argument, set_option
from bench.cli.pausing import KEYS, Pause
from bench.cli.runs import DRAWN_SEED, device_of, run_options, seed_option
from bench.cli.told import leave_page, say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bench.api_soak import SoakResult
    from bench.cli.options import Session
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.report.page import Page
    from bench.report.soaking import SoakUnmoved
    from bench.report.terminal import Out

_MOST = 2**62


@dataclass(frozen=True)
class _Options:
    """The options of one call, as click hands them over."""

    profile: str | None
    overrides: tuple[str, ...]
    way: LinkChoice
    duration_ns: int | None
    interval_ns: int | None
    packets: int | None
    losses: int | None
    until_below: str | None
    at: tuple[str, ...]
    schedule: str | None
    reading: str | None
    watch: str | None
    resume: str | None
    seed: int | None
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool


@click.command(short_help="A night of packets, whatever happens to the host.")
@profile_argument(required=False)
@set_option
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="How long, 10h; until a signal comes where no end is given.",
)
@click.option(
    "--packets",
    type=Whole(1, _MOST),
    metavar="N",
    help="End after so many packets to the nodes.",
)
@click.option(
    "--losses", type=Whole(1, _MOST), metavar="N", help="End once so many are lost."
)
@click.option(
    "--until-below",
    metavar="RATE[@CONFIDENCE]",
    help="End once the loss is bounded so low, 1e-6@0.95; how long that takes is said.",
)
@click.option(
    "--interval",
    "interval_ns",
    type=Duration(),
    metavar="TIME",
    help="Time on the line that one record covers; 10 s.",
)
@click.option(
    "--at",
    multiple=True,
    metavar="'TIME WHAT'",
    help="At an instant on the line: '2h traffic.foreign.share=40 %', '3h silence "
    "5min', '4h command ./power-cycle'; repeatable.",
)
@click.option(
    "--schedule",
    metavar="FILE",
    type=click.Path(),
    help="The same, a line each.",
)
@click.option(
    "--reading",
    metavar="COMMAND",
    help="Run every minute; the name=value words that it writes go into the ledger.",
)
@click.option(
    "--watch",
    metavar="[ADDRESS:]PORT",
    help="A page that shows the night to a browser on this machine; past it only with "
    "an address, and a token that is said.",
)
@click.option(
    "--resume",
    metavar="RUN",
    type=click.Path(),
    help="Go on with a night that was broken off, without PROFILE.",
)
@seed_option
@link_options
@run_options
@click.pass_obj
def soak(session: Session, /, **options: Any) -> int:
    """Stream packets to the nodes of PROFILE for a night, unattended.

    What the host does meanwhile is recorded and never put down to a board: intervals
    that it spoilt are void for loss and latency. A lost link is waited for. A night
    that was killed goes on with --resume, in the same ledger.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile or ""
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
    result = _soaked(session, given, out)
    _told(result, given, out)
    leave_page(result.run, quiet=given.quiet)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


# --- what is asked for ----------------------------------------------------------------


def _begun_anew(
    session: Session, given: _Options
) -> tuple[LinkChoice, Profile, dict[str, Any]]:
    """The arguments of a new night.

    Raises:
        BenchError: If the options or the profile cannot be used.
    """
    from bench.api import load_profile
    from bench.api_soak import pace_of
    from bench.trial.soak.wanted import wanted_of

    if given.profile is None:
        mend = "only a night that goes on does without: --resume"
        raise UsageError(Fault("missing argument", "PROFILE", mend=mend))
    profile = load_profile(given.profile, given.overrides)
    wanted = None
    if given.until_below is not None:
        wanted = wanted_of(given.until_below, "--until-below")
        say(wanted.told(pace_of(profile)))
    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    facts = {
        "point": point_of(given.overrides),
        "command": _command(given, seed),
        "way": asdict(given.way),
    }
    if given.way.is_simulated:
        given.way.open(profile, session)  # refuses options that only a link has
    request = {
        "profile": profile,
        "duration": given.duration_ns,
        "interval": given.interval_ns,
        "packets": given.packets,
        "losses": given.losses,
        "wanted": wanted,
        "schedule": _schedule(given),
        "reading": given.reading,
        "seed": seed,
        "logs": given.logs,
        "dut": device_of(given.dut, given.firmware),
        "facts": facts,
    }
    return given.way, profile, request


def _gone_on_with(given: _Options) -> tuple[LinkChoice, Profile, dict[str, Any]]:
    """The arguments of a night that goes on.

    Raises:
        BenchError: If it is none, or is to be another.
    """
    from bench.api import load_profile
    from bench.ledger import read_run

    others = {
        "PROFILE": given.profile,
        "--set": given.overrides,
        "--for": given.duration_ns,
        "--interval": given.interval_ns,
        "--packets": given.packets,
        "--losses": given.losses,
        "--until-below": given.until_below,
        "--at": given.at,
        "--schedule": given.schedule,
        "--reading": given.reading,
        "--seed": given.seed,
        "--dut": given.dut,
        "--firmware": given.firmware,
    }
    for name, value in others.items():
        if value:
            mend = "a night goes on as it was begun"
            raise UsageError(Fault("nothing to change", name, "", "--resume", mend))
    folder = Path(given.resume or "")
    stored, way = read_run(folder), given.way
    if way.is_simulated and isinstance(stored.run.get("way"), dict):
        said = dict(stored.run["way"])
        way = LinkChoice(**{**said, "port": tuple(said["port"])})
    profile = load_profile(folder / "profile.toml")
    return way, profile, {"profile": profile, "resume": folder}


def _schedule(given: _Options) -> list[Any]:
    """What is to happen.

    Raises:
        UsageError: If the file cannot be read, or a line means nothing.
    """
    from bench.trial.soak.changes import change_of, changes_of

    changes = [change_of(text, "--at") for text in given.at]
    name = given.schedule
    if name is not None:
        try:
            lines = Path(name).read_text("utf-8-sig").splitlines()
        except UnicodeDecodeError as error:
            what = f"not UTF-8 from octet {error.start} on"
            raise UsageError(Fault(what, name, "UTF-8", "--schedule")) from error
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise UsageError(Fault(why.lower(), name, where="--schedule")) from error
        changes += changes_of(lines, name)
    return changes


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that does the same again."""
    from bench.report.summary import typed

    words = ["nightbench", "soak", given.profile or ""]
    for override in given.overrides:
        words += ["--set", override]
    lengths = {"--for": given.duration_ns, "--interval": given.interval_ns}
    for name, ns in lengths.items():
        if ns is not None:
            words += [name, typed(ns)]
    others = {
        "--packets": given.packets,
        "--losses": given.losses,
        "--until-below": given.until_below,
        "--schedule": given.schedule,
        "--reading": given.reading,
    }
    for name, value in others.items():
        if value is not None:
            words += [name, str(value)]
    for text in given.at:
        words += ["--at", text]
    return [*words, *given.way.words(), "--seed", str(seed)]


# --- carried out and told -------------------------------------------------------------


def _soaked(session: Session, given: _Options, out: Out) -> SoakResult:
    """Let the night pass, with somebody looking on."""
    from bench import api_soak
    from bench.report.soaking import SoakUnmoved, soak_looker
    from bench.report.terminal import Out

    if given.resume is None:
        way, profile, request = _begun_anew(session, given)
    else:
        way, profile, request = _gone_on_with(given)
    if not given.quiet:
        way.caution()
    pause, figures = Pause(), None
    looker: SoakUnmoved = SoakUnmoved()
    with ExitStack() as stack:
        keyed = is_terminal() and stack.enter_context(single_keys(sys.stdin))
        if keyed:
            pause.listen()
        stack.enter_context(pause.by_signal())
        if not given.quiet:
            seen_on = Out(sys.stderr) if given.as_json else out
            looker = soak_looker(seen_on, KEYS if keyed else "")
        watcher = _Noting(session, looker, _watch(given, stack))
        try:
            result = api_soak.soak(
                **request,
                make_link=_link(session, way, profile),
                link_name=way.link,
                allowed=way.allowed,
                away=way.reconnect_ns,
                on_log_failure=given.on_log_failure,
                watcher=watcher,
                stop=session.stop,
                paused=pause,
            )
            figures = result.figures
        finally:
            looker.close(figures)
    return result


def _link(
    session: Session, way: LinkChoice, profile: Profile
) -> Callable[[], Link] | None:
    """How a link is opened; None for simulated nodes."""
    if way.is_simulated:
        return None
    # The night waits for a lost link itself: a new one is another stretch.
    held, said = replace(way, reconnect_ns=None), []

    def opened() -> Link:
        link = held.open(profile, session)
        assert link is not None  # simulated ones are not opened here
        if (where := told_of(link).get("transport", {}).get("path")) not in said:
            said.append(where)
            say_where(link)
        return link

    return opened


def _watch(given: _Options, stack: ExitStack) -> Any:
    """The page for a browser, or None."""
    if given.watch is None:
        return None
    from bench.report.watch import Watch, new_token

    address, _, port = given.watch.rpartition(":")
    if not port.isascii() or not port.isdecimal():
        expected = "a port, or an address and a port"
        raise UsageError(Fault("no port", given.watch, expected, "--watch"))
    token = new_token() if address else None
    watch = Watch(int(port), address or "127.0.0.1", token)
    stack.enter_context(watch)
    say(f"watch at {watch.url}")
    return watch


def _told(result: SoakResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.summary import brief, summary

        made = brief if given.quiet else summary
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)


class _Noting:
    """A watcher that notes where the run is kept, and hands on what it is shown."""

    def __init__(self, session: Session, looker: SoakUnmoved, watch: Any) -> None:
        self._session, self._looker, self._watch = session, looker, watch

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""
        self._session.run = folder
        self._looker.begun(folder)

    def progress(self, progress: Any) -> None:
        """See `Watcher`; `show` is told more."""

    def show(self, told: Mapping[str, Any]) -> None:
        """How the night stands."""
        self._looker.show(told)
        if self._watch is not None:
            self._watch.show(dict(told))
