"""`nightbench stream`: packets to the nodes of a profile, and what became of them."""

from __future__ import annotations

import secrets
import sys
from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.files import recording_of
from bench.cli.links import LinkChoice, link_options, say_where, told_of
from bench.cli.options import (
    PLAY,
    Duration,
    LineOctet,
    Whole,
    point_of,
    profile_argument,
    set_option,
)
from bench.cli.recorded import played_from, refuse_beside_recorded
from bench.cli.runs import DRAWN_SEED, Noting, device_of, run_options, seed_option
from bench.cli.told import say, say_if_cold, settled, tell_result

if TYPE_CHECKING:
    from bench.api import StreamResult
    from bench.cli.options import Session
    from bench.profile import Profile
    from bench.report.page import Page
    from bench.report.terminal import Onlooker, Out
    from bench.trial.odd import Odd


@dataclass(frozen=True)
class _Options:
    """The options of one stream, as click hands them over."""

    profile: str | None
    overrides: tuple[str, ...]
    duration_ns: int | None
    packets: int | None
    seed: int | None
    line: int | None
    play: str | None
    recorded: str | None
    odds: tuple[str, ...]
    dut: tuple[str, ...]
    firmware: str | None
    logs: str
    on_log_failure: Any
    as_json: bool
    quiet: bool
    way: LinkChoice


@click.command(short_help="Stream packets, and judge what the nodes show.")
@profile_argument(required=False)
@set_option
@click.option(
    "--for",
    "duration_ns",
    type=Duration(),
    metavar="TIME",
    help="So much bus time, 10s or 8h; 60 s where nothing is said.",
)
@click.option(
    "--packets",
    type=Whole(1, 2**62),
    metavar="N",
    help="So many packets to the nodes; with --for, whichever ends first.",
)
@seed_option
@click.option(
    "--line",
    type=LineOctet(),
    metavar="OCTET",
    help="No packets but one octet over and over, 55h, 00h or FFh; nothing may be "
    "shown. Without PROFILE nobody listens: --set bus.baud.",
)
@click.option(
    "--play",
    metavar="FILE",
    type=click.Path(),
    help="Play recorded frames, raw octets or .npy.",
)
@click.option(
    "--recorded",
    metavar="FILE",
    type=click.Path(),
    help="Put on the line again what `listen --record` kept, with its timing.",
)
@click.option(
    "--odd",
    "odds",
    multiple=True,
    metavar="KIND[=N]",
    help="Put an odd packet into every Nth gap, 20th unless stated: foreign, "
    "bad-check, unknown-literal, cut, noise; repeatable.",
)
@link_options
@run_options
@click.pass_obj
def stream(session: Session, /, **options: Any) -> int:
    """Stream packets to the nodes of PROFILE, and judge what they show.

    PROFILE is the name of a shipped profile or the path of a .toml file.  A signal
    stops the stream in order: the verdict is then over what was sent.
    """
    given = _Options(way=LinkChoice.taken(options), **options)
    session.profile = given.profile or ""
    request = _request(given)
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    if not given.quiet:
        say_if_cold()
    result = _streamed(session, given, request, out)
    _told(result, given, out)
    if (broken := result.figures["ledger"]) is not None:
        say(f"{broken['failed']} ({broken['unwritten']} records not written)")
    return settled(out, result.exit_code)


# --- what is asked for ----------------------------------------------------------------


def _request(given: _Options) -> dict[str, Any]:
    """The arguments of `bench.api.stream`.

    Raises:
        BenchError: If the options, the profile or a file cannot be used.
    """
    if given.line is not None and given.packets is not None:
        fault = Fault("a line without packets has no number of them", "--packets")
        raise UsageError(fault)
    if given.recorded is not None:
        refuse_beside_recorded(given)
    if given.line is not None and given.play is not None:
        raise UsageError(Fault("a line without packets plays nothing", "--play"))
    profile, link = _profile(given)
    request: dict[str, Any] = {"profile": profile, "link": link}
    facts: dict[str, Any] = {"point": point_of(given.overrides)}
    if not given.way.is_simulated:
        request["allowed"] = given.way.allowed
    if given.play is not None:
        request["recording"], sha256 = recording_of(given.play)
        facts["recording"] = {"file": given.play, "sha256": sha256}
    duration_ns = given.duration_ns
    if given.recorded is not None:
        source, known = played_from(given.recorded, profile, duration_ns)
        request["source"], facts["recorded"] = source, known
        duration_ns = min(duration_ns or known["length_ns"], known["length_ns"])
    request["odd"] = _odd(given)
    seed = secrets.randbelow(DRAWN_SEED) if given.seed is None else given.seed
    facts["command"] = _command(given, seed)
    return request | {
        "packets": given.packets,
        "duration": duration_ns,
        "seed": seed,
        "logs": given.logs,
        "line": given.line,
        "dut": device_of(given.dut, given.firmware),
        "facts": facts,
        "on_log_failure": given.on_log_failure,
    }


def _odd(given: _Options) -> tuple[Odd, ...]:
    """The odd packets asked for, one entry a kind.

    Raises:
        UsageError: If there is no such kind, or one is named twice.
    """
    from bench.trial.odd import odd_of

    odd = tuple(odd_of(text) for text in given.odds)
    if odd and (given.line is not None or given.recorded is not None):
        raise UsageError(Fault("only a schedule has gaps for odd packets", "--odd"))
    kinds = [one.kind for one in odd]
    for kind in kinds:
        if kinds.count(kind) > 1:
            raise UsageError(Fault("named twice", kind, "each kind once", "--odd"))
    return odd


def _profile(given: _Options) -> tuple[Profile, Any]:
    """The profile, and a link other than to its simulated nodes, if there is one."""
    from bench.api import load_profile
    from bench.trial.bare import OpenEnd, bare_profile

    overrides = list(given.overrides)
    if given.play is not None:
        overrides.append(f"traffic.pattern={PLAY}")
    if given.profile is not None:
        return load_profile(given.profile, overrides), None
    if given.line is None:
        mend = "only a line without packets does without: --line"
        raise UsageError(Fault("missing argument", "PROFILE", mend=mend))
    return bare_profile(overrides), OpenEnd()


def _command(given: _Options, seed: int) -> list[str]:
    """The words of a command that does the same again."""
    from bench.report.summary import typed

    words = ["nightbench", "stream"]
    if given.profile is not None:
        words.append(given.profile)
    for override in given.overrides:
        words += ["--set", override]
    if given.line is not None:
        words += ["--line", f"{given.line:02X}h"]
    if given.play is not None:
        words += ["--play", given.play]
    if given.recorded is not None:
        words += ["--recorded", given.recorded]
    for text in given.odds:
        words += ["--odd", text]
    if given.packets is not None:
        words += ["--packets", str(given.packets)]
    if given.duration_ns is not None:
        words += ["--for", typed(given.duration_ns)]
    return [*words, *given.way.words(), "--seed", str(seed)]


# --- carried out and told -------------------------------------------------------------


def _streamed(
    session: Session, given: _Options, request: dict[str, Any], out: Out
) -> StreamResult:
    """Run it, with somebody looking on."""
    from bench import api
    from bench.report.terminal import Out, Unmoved, onlooker

    watcher: Onlooker = Unmoved()
    if not given.quiet:
        seen_on = Out(sys.stderr) if given.as_json else out
        watcher = onlooker(seen_on, request["profile"].accept.confidence)
    figures = None
    way, profile = given.way, request["profile"]
    link = way.open(profile, session, seed=request["seed"]) or request["link"]
    if not way.is_simulated:
        request["facts"] |= told_of(link)
        say_where(link)
        if not given.quiet:
            way.caution()
    try:
        with link or nullcontext():
            result = api.stream(
                **request | {"link": link},
                watcher=Noting(session, watcher),
                stop=session.stop,
            )
        figures = result.figures
    finally:
        watcher.close(figures)
    return result


def _told(result: StreamResult, given: _Options, out: Out) -> None:
    """The result on standard output, for a program or for people."""

    def page() -> Page:
        from bench.report.summary import brief, summary

        made = brief if given.quiet else summary
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given.as_json)
