"""The simulated nodes of a profile as a link."""

from __future__ import annotations

import numpy as np
import pytest

from bench.base.columns import FLAW, RUN, Line, no_octets, no_rows
from bench.base.errors import ProfileError
from bench.node import link as module
from bench.node.link import SimulatedLink
from bench.profile import load_profile
from bench.traffic.schedule import Schedule

FAST = ("output.devices=2", "output.register_bits=16", "output.latch_gap=20 us")


def seen_by(monkeypatch, cores: int):
    """All rows of a second of traffic, played on so many cores."""
    monkeypatch.setattr(module.os, "cpu_count", lambda: cores)
    profile = load_profile("causeway", FAST)
    schedule = Schedule(profile, seed=1, packets=400)
    rows = []
    with SimulatedLink(profile, seed=1) as link:
        while (chunk := schedule.take(20_000)) is not None:
            rows.append(link.carry(chunk[0]))
            line = chunk[0]
        place, end_ns = line.first + len(line.octets), line.until_ns + 1_000_000_000
        silence = Line(no_octets(), no_rows(RUN), no_rows(FLAW), place, end_ns)
        rows.append(link.carry(silence))
    return rows


def test_the_number_of_cores_changes_nothing(monkeypatch):
    """One core or three: the same rows in the same order."""
    for one, three in zip(
        seen_by(monkeypatch, 1), seen_by(monkeypatch, 3), strict=True
    ):
        for name in ("shown", "data", "dropped", "lost"):
            assert np.array_equal(getattr(one, name), getattr(three, name))


def test_every_node_shows_its_own(monkeypatch):
    """A hundred packets for each of four nodes, a hundred bursts of each."""
    rows = np.concatenate([seen.shown["node"] for seen in seen_by(monkeypatch, 2)])
    assert np.bincount(rows).tolist() == [100] * 4


def test_a_closed_link_can_be_closed_again():
    """The second time does nothing."""
    link = SimulatedLink(load_profile("causeway"))
    link.close()
    link.close()


def test_what_is_not_simulated_is_refused_before_anything_happens():
    """A link that cannot be true to the board is not made."""
    with pytest.raises(ProfileError):
        SimulatedLink(load_profile("causeway", ["processor.receive=poll"]))
