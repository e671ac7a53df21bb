"""Nights: begun, and gone on with."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from bench.api import facts_of, load_profile, refuse_number
from bench.api_soak.kept import Help, Kept, plan_of
from bench.base.clock import SystemClock
from bench.base.errors import Fault, LedgerError, UsageError
from bench.base.units import parse_duration, shown
from bench.ledger import Ledger, LedgerOptions, read_run
from bench.ledger.files import DISK
from bench.ledger.rigs import known_rig
from bench.node.spec import node_specs
from bench.profile import to_toml
from bench.traffic.refusal import refuse
from bench.trial.lights import refuse_lights
from bench.trial.links import SIMULATED, reaches_lights
from bench.trial.runner import INTERVAL_NS
from bench.trial.soak.asked import Before, Request
from bench.trial.soak.before import before_of
from bench.trial.soak.changes import Change, change_of, in_order
from bench.trial.soak.sums import Sums
from bench.trial.soak.system import Shell, ThisHost
from bench.trial.soak.wanted import Wanted, wanted_of
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from bench.api_soak.kept import SoakResult
    from bench.base.clock import Clock
    from bench.ledger.files import Files
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.runner import Watcher
    from bench.trial.soak.asked import Commands
    from bench.trial.soak.host import System

__all__ = ["pace_of", "resume_soak", "soak"]

WHAT = "soak"
"""What a night is in the name of its folder."""

_LINK_SETS = ("traffic.",)
_LINK_STAYS = "traffic.pacing"
"""What a link is held by stays as it is: it is opened by somebody else."""


def soak(
    profile: Profile,
    *,
    duration: str | int | None = None,
    interval: str | int | None = None,
    packets: int | None = None,
    losses: int | None = None,
    wanted: str | Wanted | None = None,
    schedule: Sequence[str | Change] = (),
    reading: str | None = None,
    seed: int = 0,
    logs: str | Path = "logs",
    make_link: Callable[[], Link] | None = None,
    link_name: str | None = None,
    allowed: Sequence[str] = (),
    away: str | int | None = None,
    dut: Mapping[str, str] | None = None,
    facts: Mapping[str, Any] | None = None,
    on_log_failure: Literal["stop", "continue"] = "stop",
    resume: str | Path | None = None,
    watcher: Watcher | None = None,
    stop: Callable[[], int | None] | None = None,
    paused: Callable[[], bool] | None = None,
    clock: Clock | None = None,
    system: System | None = None,
    commands: Commands | None = None,
    files: Files | None = None,
) -> SoakResult:
    """Stream to the nodes of a profile for a night, whatever happens to the host.

    It ends with the first of the limits that are given; with a signal otherwise.

    Args:
        profile: The profile; see `load_profile`.
        duration: How long, "10h": on simulated nodes of time on the line, else on the
            clock, the host's sleep included.
        interval: Time on the line that one record covers; 10 s unless stated.
        packets: It ends after so many packets to the nodes,
        losses: once so many of them are lost,
        wanted: or once the loss is bounded so low: "1e-6@0.95".
        schedule: What is to happen at instants, see `bench.trial.soak.changes`.
        reading: A command that is run every minute; what it reads goes into records.
        seed: What every draw depends on.
        logs: The folder of all runs.
        make_link: A way to the nodes, a new one each time it is called; to simulated
            ones unless given.  Each is closed here.
        link_name: What it is called; what the first one says unless given.
        allowed: As for `stream`.
        away: How long a lost link is waited for; as long as the night lasts unless
            stated.
        dut: As for `stream`.
        facts: Likewise.
        on_log_failure: Likewise; a disk that is full is waited for in any case.
        resume: Go on with the night in this folder instead: see `resume_soak`.
        watcher: Who is told of progress; one with a method `show` is given a whole
            snapshot as well, see `bench.trial.soak.told.snapshot`.
        stop: Asked often: the number of a signal that came, or None.
        paused: Whether somebody asks for a pause.
        clock: The bench's clock; the system's unless given.
        system: The host.
        commands: Runs commands of the schedule, and the reading.
        files: The file system of the ledger.

    Raises:
        UsageError: If the arguments cannot be obeyed.
        ProfileError: If the profile cannot be sent, or a change makes one that cannot.
        LinkError: If the link cannot be had, or is lost before it took anything for the
            first time.
        LedgerError: If the ledger cannot be begun, or stopped the traffic.
    """
    options = LedgerOptions(on_log_failure, files=files or DISK)
    help_ = Help(
        make_link,
        link_name or (SIMULATED if make_link is None else "link"),
        tuple(allowed),
        _ns(away, "away"),
        watcher,
        stop or (lambda: None),
        paused or (lambda: False),
        clock or SystemClock(),
        system or ThisHost(),
        commands or Shell(),
        options,
    )
    if resume is not None:
        return _resumed(Path(resume), help_, link_name)
    refuse_number("seed", seed, 2**64 - 1)
    asked = {
        "duration_ns": _ns(duration, "duration"),
        "interval_ns": _ns(interval, "interval") or INTERVAL_NS,
        "packets": packets,
        "losses": losses,
        "wanted": str(wanted) if wanted is not None else None,
        "schedule": [str(change) for change in in_order(_changes(schedule))],
        "reading": reading,
    }
    request = _request(profile, seed, asked)
    _refuse(request, help_)
    plan = plan_of(request)
    known = {**facts_of(plan, dut), "packets": packets}
    known |= {"duration_ns": asked["duration_ns"], "link": help_.link_name}
    if make_link is not None:
        known["qualified"] = known_rig(help_.link_name, Path(logs))
    known |= {"soak": asked} | dict(facts or {})
    when = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    ledger = Ledger.create(Path(logs), when, WHAT, known, to_toml(profile), options)
    return Kept(request, help_, ledger, known, Before(), Sums(profile)).carried()


def resume_soak(folder: str | Path, **more: Any) -> SoakResult:
    """Go on with a night that was broken off, in its own ledger.

    What it was asked to do is in the ledger; a real link has to be given again.

    Args:
        folder: Its folder.
        more: `make_link`, `watcher`, `stop` and what else `soak` takes that says
            nothing of what is tested.

    Raises:
        LedgerError: If it is no night, is written by somebody else just now, or has
            come to its end.
    """
    return soak(_no_profile(), resume=folder, **more)


def _no_profile() -> Any:
    """A night that goes on has its profile in its ledger."""
    return None


def pace_of(profile: Profile) -> float:
    """Packets a second to the nodes, as a profile has them."""
    return float(len(profile.node) * profile.traffic.frame_rate_hz)


# --- what is asked for ----------------------------------------------------------------


def _ns(length: str | int | None, what: str) -> int | None:
    """A length of time."""
    if length is None:
        return None
    ns = parse_duration(length, what) if isinstance(length, str) else length
    if ns < 1:
        raise UsageError(Fault("no time", shown(length), "more than 0 s", what))
    return ns


def _changes(schedule: Sequence[str | Change]) -> list[Change]:
    return [
        one if isinstance(one, Change) else change_of(one, "schedule")
        for one in schedule
    ]


def _request(profile: Profile, seed: int, asked: Mapping[str, Any]) -> Request:
    """What is asked for, from what a ledger keeps of it.

    Raises:
        UsageError: If it means nothing.
        ProfileError: If a change makes a profile that cannot be.
    """
    for word in ("packets", "losses"):
        if asked[word] is not None and asked[word] < 1:
            raise UsageError(Fault(f"no {word}", str(asked[word]), "1 or more", word))
    changes = in_order(change_of(text, "schedule") for text in asked["schedule"])
    wanted = asked["wanted"]
    return Request(
        profile,
        seed,
        asked["interval_ns"],
        asked["duration_ns"],
        asked["packets"],
        asked["losses"],
        None if wanted is None else wanted_of(wanted, "wanted"),
        changes,
        _profiles(profile, changes),
        asked["reading"],
    )


def _profiles(profile: Profile, changes: Sequence[Change]) -> list[Profile]:
    """The profile after each change."""
    template, profiles = Template.of_profile(profile), [profile]
    sets: list[str] = []
    for change in changes:
        sets += change.sets
        profiles.append(template.profile(sets) if change.sets else profiles[-1])
    return profiles[1:]


def _refuse(request: Request, help_: Help) -> None:
    """Raise whatever keeps a night from beginning, changes to come included."""
    live = help_.make_link is not None
    if live:
        for change in request.changes:
            for text in change.sets:
                path = text.partition("=")[0].strip()
                if not path.startswith(_LINK_SETS) or path == _LINK_STAYS:
                    what = "not to be changed on a link"
                    expected = f"a path under traffic, not {_LINK_STAYS}"
                    raise UsageError(Fault(what, shown(path), expected, "schedule"))
    for profile in (request.profile, *request.profiles):
        refuse(profile)
        if not live:
            node_specs(profile)
        elif reaches_lights(help_.link_name):
            refuse_lights(plan_of(request, profile), help_.allowed)


def _resumed(folder: Path, help_: Help, link_name: str | None) -> SoakResult:
    """Go on with a night."""
    ledger = Ledger.resume(folder, help_.options)
    try:
        stored = read_run(folder)
        asked = stored.run.get("soak")
        if not isinstance(asked, dict) or stored.profile_text is None:
            fault = Fault("not a night that can be gone on with", where=str(folder))
            raise LedgerError(fault)
        if stored.run.get("link", SIMULATED) != SIMULATED and help_.make_link is None:
            fault = Fault("this night needs its link", str(stored.run["link"]))
            raise UsageError(fault)
        help_ = replace(help_, link_name=link_name or stored.run.get("link", ""))
        profile = load_profile(folder / "profile.toml")
        request = _request(profile, int(stored.run["seed"]), asked)
        _refuse(request, help_)
        sums = Sums(profile)
        before = before_of(stored.intervals.records, stored.anomalies.records, sums)
    except BaseException:
        ledger.close()
        raise
    kept = Kept(request, help_, ledger, stored.run, before, sums)
    kept.broken_off(len(stored.intervals.damaged) + len(stored.anomalies.damaged))
    return kept.carried()
