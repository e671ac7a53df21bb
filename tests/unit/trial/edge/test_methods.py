"""Methods of RFC 2544 on boards that lose what comes too fast."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from unit.trial.edge.fakes import TEMPLATE, Boards, above, asked, prober

from bench.base.errors import ProfileError
from bench.trial.edge import methods, result
from bench.trial.edge.methods import RATE, Rates, loss_steps, overload, throughput
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from bench.trial.edge.find import Quest

RATES = Rates.of(TEMPLATE)


def quest() -> Quest:
    """Every frame rate."""
    return asked("1 Hz", f"{RATES.most} Hz", "1 Hz", name=RATE, scale="linear")


def test_the_most_is_what_the_line_has_room_for() -> None:
    """Own packets of 9.62 ms beside 15 % of foreign traffic: 22 of 26 frames/s."""
    # (3,840 + 8) octets of 10 bits at 4 Mbaud, four of them: 25.99 frames/s alone.
    assert RATES.most == int(0.85 * 1 / (4 * 3848 * 10 / 4e6)) == 22
    assert RATES.at(22).traffic.frame_rate_hz == 22
    told = RATES.told(22)
    assert told["packets_per_second"] == 88
    assert told["octets_per_second"] == 22 * 4 * 3848
    assert told["share_of_most"] == 1.0
    assert told["intended_load"] <= 1.0


def test_throughput() -> None:
    """The highest rate at which nothing is lost (RFC 2544, section 26.1)."""
    made = throughput(quest(), prober(quest(), Boards(above(12))), RATES)
    assert made["throughput"]["frame_rate_hz"] == 12
    assert (made["edge"]["last_good"], made["edge"]["first_bad"]) == (12, 13)
    said = result.throughput(made, RATES.told(22))
    assert said["reason"].startswith("12 frames/s without a loss, 48 packets/s")
    assert (said["last_good"], said["first_bad"]) == (12, 13)


def test_throughput_at_the_ends() -> None:
    """All that the line has room for; or less than one frame a second."""
    boards = Boards(above(10**6))
    made = throughput(quest(), prober(quest(), boards), RATES)
    assert made["throughput"]["frame_rate_hz"] == 22
    assert made["edge"] is None
    assert max(ns for _, _, ns in boards.tried) == 60 * 10**9
    made = throughput(quest(), prober(quest(), Boards(above(0))), RATES)
    assert made["throughput"] is None
    said = result.throughput(made, RATES.told(22))
    assert said["reason"].startswith("packets are lost at one frame a second")


def test_loss_steps() -> None:
    """From the most down by tenths, until two in a row lose nothing (26.3)."""
    boards = Boards(above(14))
    steps = loss_steps(prober(quest(), boards), RATES)
    assert [step["frame_rate_hz"] for step in steps] == [22, 19, 17, 15, 13, 11]
    assert [step["loss_rate"] for step in steps] == [1.0, 1.0, 1.0, 1.0, 0.0, 0.0]
    assert all(ns == 60 * 10**9 for _, _, ns in boards.tried)
    said = result.steps(steps, RATES.told(22))
    assert (said["last_good"], said["first_bad"]) == (13, 15)
    assert len(loss_steps(prober(quest(), Boards(above(99))), RATES)) == 2


def test_steps_end_at_one_frame() -> None:
    """Where everything is lost the steps go down to one tenth, and end."""
    steps = loss_steps(prober(quest(), Boards(above(0, State.FAIL))), RATES)
    assert [step["frame_rate_hz"] for step in steps] == [
        22,
        19,
        17,
        15,
        13,
        11,
        8,
        6,
        4,
        2,
    ]


def test_overload_is_a_tenth_more() -> None:
    """110 % of throughput, or the medium's most (26.5)."""
    assert overload(10, RATES) == 11
    assert overload(12, RATES) == 14
    assert overload(21, RATES) == 22


def test_flood_has_one_rate() -> None:
    """Where packets are sent back to back there is no rate to vary."""
    flood = TEMPLATE.of_profile(TEMPLATE.profile(), ["traffic.pacing=flood"])
    with pytest.raises(ProfileError, match="flood pacing sends at one rate only"):
        Rates.of(flood)


def test_every_method_has_both_words() -> None:
    """Ours, and the RFC's beside them."""
    for name in methods.METHODS:
        ours, theirs = result.words_of(name)
        assert ours
        assert theirs[:3] == "26."
