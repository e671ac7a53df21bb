"""How long nodes take to be themselves again: after much traffic, and after a reset.

Both are one trial, whole: what was sent and what was shown are put side by side
afterwards (`bench.trial.upset.traffic`).

Too much traffic (RFC 2544, section 26.5) is two schedules, one after another: first one
that the nodes cannot follow, then one at half of what they can.  A reset (section 26.6)
is one of the upsets: the boards begin anew while there is traffic, or after they had no
power for ten seconds.  Real boards (`bench.trial.edge.boards`) are reset by a command.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import Line, Sent
from bench.base.grid import NS_PER_S
from bench.node.spec import node_specs
from bench.trial.edge.boards import carried, darkest, in_order
from bench.trial.edge.probe import Silent, Stopped
from bench.trial.plan import Plan
from bench.trial.runner import run
from bench.trial.sweep.point import on_all_cores, quiet_tools
from bench.trial.upset.line import Hearing
from bench.trial.upset.link import UpsetLink
from bench.trial.upset.traffic import Traffic, Whole, match
from bench.wire.waveform import Part, Track, joined

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.base.columns import Seen
    from bench.profile.model import Node, Profile
    from bench.trial.edge.boards import Boards
    from bench.trial.upset.line import Heard
    from bench.trial.upset.traffic import Own

POWER_CUT_NS = 10 * NS_PER_S
"""How long boards have no power (RFC 2544, section 26.6)."""

CALM_NS = NS_PER_S
"""Traffic before a reset, and after it."""

CALM_FRAMES = 10
"""Frames that it has at least."""

INSTANTS = 3
"""At how many instants a reset comes, at different places of a frame."""


# --- after too much traffic -----------------------------------------------------------


def recovery(
    profiles: tuple[Profile, Profile],
    seed: int,
    lasts_ns: tuple[int, int],
    stop: Callable[[], int | None],
    boards: Boards | None = None,
) -> dict[str, Any]:
    """Send too much, then less, and see when the last packet is lost.

    Args:
        profiles: At the one rate, and at the other.
        seed: What draws depend on.
        lasts_ns: How long each of them is sent.
        stop: The number of a signal that came, or None.
        boards: Who is sent it; simulated nodes unless given.

    Returns:
        As strict JSON.

    Raises:
        Stopped: If a signal came.
        Silent: If boards say nothing.
        LinkError: If the link to them is lost.
    """
    first = Traffic(profiles[0], seed, lasts_ns[0])
    second = Traffic(profiles[1], seed + 1, lasts_ns[1])
    dropped_ns = first.line.until_ns
    whole = _after(first, second, profiles[0])
    nodes: Sequence[int] = range(len(profiles[0].node))
    if boards is None:
        heard = Hearing(whole.track, profiles[0].bus).undisturbed()
        seen = _seen(profiles[0], whole, heard, seed, stop)
    else:
        keeping = carried(profiles[0], whole, seed, boards, stop)
        seen, nodes = keeping.seen, keeping.watched
        seen = replace(seen, shown=in_order(seen.shown))
    before = after = lost_after = 0
    last_ns = dropped_ns
    for owns in _owns(profiles[0], whole, seen, nodes):
        lost = [own for own in owns if own.shown_ns is None and own.due]
        late = [own for own in lost if own.begin_ns >= dropped_ns]
        before += len(lost) - len(late)
        lost_after += len(late)
        after += sum(own.begin_ns >= dropped_ns for own in owns)
        last_ns = max([last_ns, *(own.received_ns for own in late)])
    ends_ns = whole.line.until_ns
    over = after > 0 and last_ns < ends_ns - (ends_ns - dropped_ns) // 10
    return {
        "lost_before": before,
        "offered_after": after,
        "lost_after": lost_after,
        "recovery_ns": last_ns - dropped_ns if over else None,
        "trial_ns": ends_ns,
        "characters": len(whole.track),
    }


def _after(first: Traffic, second: Traffic, profile: Profile) -> Traffic:
    """One schedule after another."""
    at_ns, at = first.line.until_ns, len(first.track)
    parts = [_part(first.line), _part(second.line)]
    runs = parts[1].runs.copy()
    runs["start_ns"] += at_ns
    parts[1] = Part(parts[1].octets, runs, parts[1].flaws)
    line = joined(parts)
    rows = second.sent.rows.copy()
    for word in ("start_ns", "last_bit_ns"):
        rows[word] += at_ns
    rows["first"] += at
    rows["packet"] += len(first.sent.rows)
    rows["payload_at"] += len(first.sent.payload) * (rows["payload_at"] >= 0)
    frames = int(first.sent.rows["frame"].max(initial=-1)) + 1
    rows["frame"] += frames * (rows["frame"] >= 0)
    until_ns = at_ns + second.line.until_ns
    second.line = Line(line.octets, line.runs, line.flaws, 0, until_ns)
    second.sent = Sent(
        np.concatenate([first.sent.rows, rows]),
        np.concatenate([first.sent.payload, second.sent.payload]),
    )
    second.track = Track(second.line, profile.bus)
    second.duration_ns = until_ns
    return second


def _part(line: Line) -> Part:
    return Part(line.octets, line.runs, line.flaws)


# --- after a reset --------------------------------------------------------------------


def resets(
    profile: Profile, seed: int, stop: Callable[[], int | None]
) -> list[dict[str, Any]]:
    """Reset the nodes in two ways, each at some instants.

    Returns:
        For each way the longest that a node showed nothing, as strict JSON.

    Raises:
        Stopped: If a signal came.
        Silent: If a node shows nothing even before.
    """
    calm_ns = max(CALM_NS, CALM_FRAMES * NS_PER_S // profile.traffic.frame_rate_hz)
    made = []
    for name, off_ns in (("reset", 0), ("power", POWER_CUT_NS)):
        traffic = Traffic(profile, seed, 2 * calm_ns + off_ns)
        frame_ns = NS_PER_S // profile.traffic.frame_rate_hz
        gaps: list[list[int | None]] = []
        for k in range(INSTANTS):
            from_ns = calm_ns - frame_ns * k // INSTANTS
            gaps.append(
                _gaps(profile, traffic, (from_ns, from_ns + off_ns), seed, stop)
            )
        told = _told(profile.node, name, (off_ns, traffic.line.until_ns), gaps)
        made.append(told | {"frame_ns": frame_ns})
    return made


def resets_by(
    profile: Profile,
    seed: int,
    lasts_ns: int,
    stop: Callable[[], int | None],
    boards: Boards,
) -> list[dict[str, Any]]:
    """Let a command reset boards, at some instants.

    Args:
        profile: The profile.
        seed: What draws depend on.
        lasts_ns: How long they are watched at most for showing something again.
        stop: The number of a signal that came, or None.
        boards: The boards, and what resets them.

    Returns:
        As `resets`, of the one way that the command is.

    Raises:
        Stopped: If a signal came.
        Silent: If a board shows nothing even before, or nothing can be said.
        LinkError: If the link is lost.
    """
    calm_ns = max(CALM_NS, CALM_FRAMES * NS_PER_S // profile.traffic.frame_rate_hz)
    traffic = Traffic(profile, seed, calm_ns + lasts_ns)
    frame_ns = NS_PER_S // profile.traffic.frame_rate_hz
    gaps: list[list[int | None]] = []
    sent_ns, names = 0, []
    for k in range(INSTANTS):
        from_ns = calm_ns - frame_ns * k // INSTANTS
        keeping = carried(profile, traffic, seed, boards, stop, at_ns=from_ns)
        until_ns = keeping.enough_ns or traffic.line.until_ns
        sent_ns += until_ns
        shown, names = keeping.seen.shown, [profile.node[i] for i in keeping.watched]
        try:
            gaps.append(
                [
                    darkest(
                        shown[shown["node"] == index],
                        from_ns,
                        until_ns,
                        keeping.lately_ns,
                    )
                    for index in keeping.watched
                ]
            )
        except ValueError as error:
            raise Silent(f"a board is reset: {error}") from error
    made = _told(names, "command", (0, 0), gaps)
    return [made | {"trial_ns": sent_ns, "frame_ns": frame_ns}]


def _gaps(
    profile: Profile,
    traffic: Traffic,
    times: tuple[int, int],
    seed: int,
    stop: Callable[[], int | None],
) -> list[int | None]:
    """From each node's last packet shown before to its first one after; None: never."""
    from_ns, good_ns = times
    hearing = Hearing(traffic.track, profile.bus)
    if from_ns == good_ns:
        heard = hearing.begun(good_ns, off=False)
    else:
        # They have nothing to hear, and begin anew when they hear again.
        heard = replace(hearing.silent(from_ns, good_ns), reset_ns=good_ns)
    seen = _seen(profile, traffic, heard, seed, stop)
    gaps: list[int | None] = []
    for index, node in enumerate(profile.node):
        rows = seen.shown[(seen.shown["node"] == index) & (seen.shown["shown_ns"] >= 0)]
        shown = np.sort(rows["shown_ns"])
        before, after = shown[shown <= from_ns], shown[shown > good_ns]
        if not len(before):
            raise Silent(f"{node.name} shows nothing before a reset")
        gaps.append(int(after[0] - before[-1]) if len(after) else None)
    return gaps


def _told(
    whose: Sequence[Node],
    name: str,
    lasts_ns: tuple[int, int],
    gaps: Sequence[Sequence[int | None]],
) -> dict[str, Any]:
    """One way of being reset: the longest of each node, and of all."""
    longest = [_longest([row[index] for row in gaps]) for index in range(len(gaps[0]))]
    nodes = [
        {"name": node.name, "dark_ns": dark_ns}
        for node, dark_ns in zip(whose, longest, strict=True)
    ]
    return {
        "way": name,
        "off_ns": lasts_ns[0],
        "instants": len(gaps),
        "trial_ns": lasts_ns[1] * len(gaps),
        "dark_ns": _longest(longest),
        "nodes": nodes,
    }


def _longest(gaps: Sequence[int | None]) -> int | None:
    """The longest; None, which is for ever, is longer than any."""
    known = [gap for gap in gaps if gap is not None]
    return max(known) if len(known) == len(gaps) else None


# --- one trial ------------------------------------------------------------------------


def _seen(
    profile: Profile,
    traffic: Traffic,
    heard: Heard,
    seed: int,
    stop: Callable[[], int | None],
) -> Seen:
    """What the nodes showed of a schedule.

    Raises:
        Stopped: If a signal came.
    """
    endless = [int(np.iinfo(np.int64).max)] * len(profile.node)
    link = UpsetLink(on_all_cores(profile, seed), heard, endless)
    plan = Plan(profile, seed, duration_ns=traffic.duration_ns)
    with link:
        ran = run(plan, link, quiet_tools(stop), Whole(traffic))
    if ran.signal is not None:
        raise Stopped
    return link.seen


def _owns(
    profile: Profile, traffic: Traffic, seen: Seen, nodes: Sequence[int]
) -> list[list[Own]]:
    """What each node was to show, with what it showed of it noted."""
    slack_ns = profile.bus.character.at(1)
    made = []
    for spec in [node_specs(profile)[index] for index in nodes]:
        shown = seen.shown[seen.shown["node"] == spec.index]
        owns = traffic.own(spec)
        match(owns, shown, seen.data.tobytes(), slack_ns)
        made.append(owns)
    return made
