"""A trial in which the sender's baud is not the one that the nodes expect.

What the nodes hear is worked out level by level: the sender's characters are drawn at
its own baud, and read by receivers at theirs (`bench.wire.waveform`).  That is slow, so
such a trial is short: what matters is how characters look, not how many there are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Line
from bench.base.grid import NS_PER_S
from bench.traffic.load import costs_of
from bench.trial.lights import refuse_lights
from bench.trial.links import reaches_lights
from bench.trial.plan import Plan
from bench.trial.runner import run
from bench.trial.upset.line import Heard
from bench.trial.upset.link import UpsetLink
from bench.trial.upset.traffic import Traffic, Whole
from bench.wire.characters import CharacterReader
from bench.wire.waveform import Pen, Track, characters_of, heard

if TYPE_CHECKING:
    from bench.profile.model import Bus, Profile
    from bench.trial.runner import Outcome, Tools
    from bench.trial.sweep.point import Way

LEAST_OCTETS = 2048
"""Octets that each node is sent at least: every octet eight times, if they are random,
before every other one now and then."""

MOST_FRAMES = 64
"""Frames in which they are sent at most."""


def sender_of(profile: Profile) -> Profile:
    """The profile as the sender has it: its own baud, and nothing off."""
    baud = round(profile.bus.baud * (1 + profile.bus.baud_offset))
    return _with_bus(profile, {"baud": baud, "baud_offset": 0.0})


def nodes_of(profile: Profile) -> Profile:
    """The profile as the nodes have it: the stated baud, and nothing off."""
    return _with_bus(profile, {"baud_offset": 0.0})


def run_off(profile: Profile, seed: int, way: Way, tools: Tools) -> Outcome:
    """Run a short trial at the baud offset of a profile.

    Args:
        profile: The profile.
        seed: What every draw depends on.
        way: The way to the nodes.
        tools: As for any trial.

    Raises:
        BenchError: As `bench.trial.runner.run`.
    """
    sender, nodes = sender_of(profile), nodes_of(profile)
    traffic = Traffic(sender, seed, _lasts_ns(sender))
    plan = Plan(sender, seed, duration_ns=traffic.duration_ns)
    if way.real:  # it is the adapter that is off
        with way.make_link(sender, seed) as real:
            if reaches_lights(real.name):
                refuse_lights(plan, way.allowed)
            return run(plan, real, tools, Whole(traffic))
    what = heard_off(traffic.track, sender.bus, nodes.bus)
    endless = [int(np.iinfo(np.int64).max)] * len(profile.node)
    with UpsetLink(way.make_link(nodes, seed), what, endless) as off:
        return run(plan, off, tools, Whole(traffic))


def heard_off(track: Track, sender: Bus, nodes: Bus) -> Heard:
    """What receivers at one baud hear of a line at another.

    Args:
        track: The line as it was sent.
        sender: Its characters.
        nodes: Those that the receivers expect.
    """
    reader = CharacterReader(characters_of(nodes))
    whole = len(track)
    for change in Pen(sender).draw(track, 0, whole):
        reader.change(*change)
    until_ns = track.line.until_ns
    reader.until(max(until_ns, track.end_ns(whole - 1) if whole else 0))
    part = heard(list(reader.events()))
    line = Line(part.octets, part.runs, part.flaws, 0, until_ns)
    places = [track.started_by(int(ns) + 1) - 1 for ns in part.runs["start_ns"]]
    between = np.maximum(np.array(places, np.int64), 0)
    return Heard(Track(line, nodes), 0, between, whole, 0, until_ns, None)


def _lasts_ns(profile: Profile) -> int:
    """How long it takes until each node was sent enough."""
    own = min(node.output.payload_octets for node in profile.node)
    frames = min(MOST_FRAMES, -(-LEAST_OCTETS // own))
    each_ns = NS_PER_S / profile.traffic.frame_rate_hz
    if profile.traffic.pacing == "flood":
        each_ns = float(costs_of(profile).frame_ns(worst=True))
    return round(frames * each_ns)


def _with_bus(profile: Profile, update: dict[str, float]) -> Profile:
    bus = profile.bus.model_copy(update=update)
    return profile.model_copy(update={"bus": bus})
