"""Recovery and reset of boards: a link in chunks, and somebody else who resets them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from bench.api import load_profile
from bench.base.clock import JumpClock
from bench.base.columns import SHOWN
from bench.link.observes import EVERYTHING
from bench.node.link import SimulatedLink
from bench.trial.edge import result
from bench.trial.edge.boards import Boards, darkest, in_order
from bench.trial.edge.probe import Silent, Stopped
from bench.trial.edge.recovery import recovery, resets, resets_by
from bench.trial.sweep.hands import SETTLE_NS
from bench.trial.sweep.point import Way

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.columns import Line, Seen
    from bench.link.observes import Observes

MS = 1_000_000
SLOW = ("processor.rearrange.per_octet=20 us", "accept.latency=", "accept.skew=")
LIGHTS = ("--allow-bright", "--allow-flashing")


class Bench(SimulatedLink):
    """Nodes that are said to be boards; it takes chunks, and shows what it shows."""

    name = "boards"
    most_octets = 1 << 15  # type: ignore[assignment]
    sees: Observes = EVERYTHING

    def carry(self, line: Line, sent: Any = None) -> Seen:
        """See `Link.carry`."""
        self.now_ns = line.until_ns
        return super().carry(line, sent)

    @property
    def observes(self) -> Observes:
        """What this test says."""
        return self.sees


class Bay:
    """Boards, and a command that resets them, or does not."""

    def __init__(
        self, sees: Observes = EVERYTHING, why: str = "", nodes: Any = None
    ) -> None:
        self.clock, self.why, self.nodes = JumpClock(), why, nodes
        self.sees = sees
        self.links: list[Bench] = []
        self.begun = 0
        way = Way(self.link, real=True, allowed=LIGHTS)
        self.boards = Boards(way, self.clock, self.reset)

    def link(self, profile: Any, seed: int) -> Bench:
        """One more link."""
        made = Bench(profile, seed=seed)
        made.sees = self.sees
        self.links.append(made)
        return made

    def reset(self) -> Callable[[], str | None]:
        """What the command does, and that it has ended at the third asking."""
        self.begun += 1
        link = self.links[-1]
        if self.nodes != []:
            link.reset(link.now_ns, self.nodes)
        asked = iter([None, None, self.why])
        return lambda: next(asked)


def test_recovery_is_that_of_simulated_nodes() -> None:
    """The same traffic on a link in chunks: the same losses, and the same time."""
    profiles = tuple(
        load_profile("causeway", [*SLOW, f"traffic.frame_rate={rate} Hz"])
        for rate in (20, 5)
    )
    assert len(profiles) == 2
    lasts = (2000 * MS, 3000 * MS)
    bay = Bay()
    made = recovery(profiles, 1, lasts, lambda: None, bay.boards)
    assert made == recovery(profiles, 1, lasts, lambda: None)
    assert made["lost_before"] > 20
    assert made["offered_after"] == 60
    assert bay.clock.now_ns() >= SETTLE_NS


def test_recovery_without_times() -> None:
    """Who hears only what was shown can still tell when the last packet was lost."""
    profiles = (
        load_profile("causeway", [*SLOW, "traffic.frame_rate=20 Hz"]),
        load_profile("causeway", [*SLOW, "traffic.frame_rate=5 Hz"]),
    )
    bay = Bay(replace(EVERYTHING, times=False, clocks=False))
    made = recovery(profiles, 1, (1000 * MS, 2000 * MS), lambda: None, bay.boards)
    assert made["lost_before"] > 5
    assert made["recovery_ns"] is not None


def test_only_some_nodes_are_seen() -> None:
    """What nobody looks at is not lost."""
    profile = load_profile("causeway")
    bay = Bay(replace(EVERYTHING, nodes=(2,)))
    made = recovery(
        (profile, profile), 1, (300 * MS, 300 * MS), lambda: None, bay.boards
    )
    assert (made["offered_after"], made["lost_after"]) == (6, 0)


@pytest.mark.parametrize(
    ("sees", "said"),
    [
        (replace(EVERYTHING, shown=False), "does not see what the nodes show"),
        (replace(EVERYTHING, times=False), "does not see when the nodes show"),
    ],
)
def test_not_observable(sees: Observes, said: str) -> None:
    """A link that does not see enough is told so, and no figure is made of it."""
    bay = Bay(sees)
    with pytest.raises(Silent, match=f"not observable: the link {said}"):
        resets_by(load_profile("causeway"), 1, 1000 * MS, lambda: None, bay.boards)
    blind = Bay(replace(EVERYTHING, shown=False))
    profile = load_profile("causeway")
    with pytest.raises(Silent, match="not observable"):
        recovery((profile, profile), 1, (MS, MS), lambda: None, blind.boards)


def test_a_command_resets_them() -> None:
    """As dark as after a reset of simulated nodes; watched no longer than need be."""
    bay = Bay()
    profile = load_profile("causeway")
    (made,) = resets_by(profile, 1, 60_000 * MS, lambda: None, bay.boards)
    assert (made["way"], made["instants"], bay.begun) == ("command", 3, 3)
    for node in made["nodes"]:
        assert 50 * MS < node["dark_ns"] < 160 * MS
    assert made["trial_ns"] < 3 * 8000 * MS
    said = result.reset([made])
    assert said["verdict"] == "PASS"
    assert "after the command that resets" in said["reason"]
    plain = {one["way"]: one for one in resets(profile, 1, lambda: None)}
    assert made["dark_ns"] < plain["reset"]["dark_ns"] + 50 * MS


def test_a_command_that_does_nothing() -> None:
    """Nothing was missed, and that is said."""
    bay = Bay(nodes=[])
    profile = load_profile("causeway")
    (made,) = resets_by(profile, 1, 10_000 * MS, lambda: None, bay.boards)
    assert made["dark_ns"] < 75 * MS
    assert result.reset([made])["notes"] == [
        "that is no longer than without: nothing was missed"
    ]


def test_a_command_that_fails() -> None:
    """How it failed is what is told."""
    bay = Bay(why="the command that resets the boards failed: exit code 1")
    with pytest.raises(Silent, match="exit code 1"):
        resets_by(load_profile("causeway"), 1, 9000 * MS, lambda: None, bay.boards)


def test_a_command_that_goes_on() -> None:
    """Where it has not ended by the end of the traffic nothing can be said."""
    bay = Bay()
    boards = replace(bay.boards, reset=lambda: lambda: None)
    with pytest.raises(Silent, match="goes on after the traffic"):
        resets_by(load_profile("causeway"), 1, 500 * MS, lambda: None, boards)


def test_a_command_before_each_trial() -> None:
    """It is told the frame rate; where it fails, nothing is sent."""
    told: list[Any] = []

    def before(point: Any) -> str:
        told.append(dict(point))
        return "no supply" if len(told) > 1 else ""

    bay, profile = Bay(), load_profile("causeway")
    boards = replace(bay.boards, before=before)
    with pytest.raises(Silent, match="no supply"):
        resets_by(profile, 1, 4000 * MS, lambda: None, boards)
    assert told == [{"traffic.frame_rate": "20 Hz"}] * 2
    assert len(bay.links) == 1


def test_told_to_stop() -> None:
    """A signal ends the wait, and the trial."""
    bay, profile = Bay(), load_profile("causeway")
    with pytest.raises(Stopped):
        resets_by(profile, 1, 1000 * MS, lambda: 15, bay.boards)
    assert bay.links == []


def rows(*times: int) -> Any:
    """Rows of one node that were shown then."""
    made = np.zeros(len(times), SHOWN)
    made["shown_ns"] = times
    return made


def test_darkest() -> None:
    """The longest from the last one before; for ever if there is none lately."""
    assert darkest(rows(10, 20, 90, 100), 25, 105, 10) == 70
    assert darkest(rows(10, 20, 30, 40, 100), 25, 105, 10) == 60
    assert darkest(rows(10, 20, 30, 40), 25, 105, 10) is None
    assert darkest(rows(10, 20), 25, 105, 10) is None
    assert darkest(rows(10, 20, -1, 30, 500), 15, 35, 10) == 10
    with pytest.raises(ValueError, match="nothing before"):
        darkest(rows(30, 40), 25, 45, 10)


def test_first_bits_that_are_not_known() -> None:
    """They are put after everything; the others stay."""
    given = rows(10, 20)
    given["first_bit_ns"] = [-1, 7]
    assert in_order(given)["first_bit_ns"].tolist()[1] == 7
    assert in_order(given)["first_bit_ns"][0] > 1 << 61
    assert given["first_bit_ns"][0] == -1
