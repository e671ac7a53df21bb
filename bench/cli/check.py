"""`nightbench check`: a profile's faults, or what it comes to."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

import click

from bench.cli.options import PLAY, profile_argument, set_option
from bench.cli.told import say_if_cold, settled

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.cli.options import Session
    from bench.profile import Profile
    from bench.traffic.light import LightFigures

_PACKETS, _OCTETS = 200, 1 << 22
"""Packets, and characters, that are looked at for their light: some frames, in a few
milliseconds."""


@click.command(short_help="Check a profile, and say what it comes to.")
@profile_argument()
@set_option
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead.")
@click.pass_obj
def check(
    session: Session, /, profile: str, overrides: tuple[str, ...], as_json: bool
) -> int:
    """Check a profile, and say what it comes to.

    PROFILE is the name of a shipped profile or the path of a .toml file.  Every fault
    is told at once.  Nothing is sent.
    """
    from bench.api import load_profile
    from bench.report.sheet import comes_to, sheet
    from bench.report.terminal import Out, show

    session.profile = profile
    loaded = load_profile(profile, overrides)
    _refuse(loaded)
    lit = _lit(loaded, session.stop)
    if (signal := session.stop()) is not None:
        return 128 + signal
    figures, out = comes_to(loaded, lit), Out(sys.stdout)
    if as_json:
        out.write(json.dumps(figures, allow_nan=False) + "\n")
        out.flush()
    else:
        show(sheet(figures, out.width), out)
    return settled(out, 0)


def _refuse(profile: Profile) -> None:
    """Raise whatever keeps a profile from being sent, but that its recording is away.

    Raises:
        ProfileError: With every fault.
    """
    from bench.traffic.refusal import refuse

    recording = None
    if profile.traffic.pattern == PLAY:
        import numpy as np

        payloads = sum(node.output.payload_octets for node in profile.node)
        recording = np.zeros(payloads, np.uint8)
    refuse(profile, recording)


def _lit(profile: Profile, stop: Callable[[], int | None]) -> LightFigures | None:
    """What the pattern would light; None if it is a recording, or on a signal."""
    if profile.traffic.pattern == PLAY:
        return None
    from bench.trial.rehearsal import aside

    def look() -> LightFigures | None:
        from bench.traffic.light import LightGuard
        from bench.traffic.schedule import Schedule

        guard = LightGuard(profile)
        chunk = Schedule(profile, seed=0, packets=_PACKETS).take(_OCTETS)
        return None if chunk is None else guard.measure(*guard.by_node(chunk[1]))

    say_if_cold()
    done = aside(look, stop)
    return None if done is None else done.made
