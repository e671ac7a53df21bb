"""The account of single nodes: chance, what came before, and what nobody excuses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from unit.trial.upset.plain_nodes import PlainNode, PlainNodes
from unit.trial.upset.tries import marker

from bench.base.columns import Line, no_octets
from bench.node.spec import node_specs
from bench.trial.upset.account import Case, accounts
from bench.trial.upset.line import Hearing
from bench.trial.upset.link import UpsetLink
from bench.trial.upset.named import UPSETS
from bench.trial.upset.traffic import Traffic, match

if TYPE_CHECKING:
    from bench.trial.upset.account import NodeAccount
    from bench.trial.upset.line import Heard

UPSET = {one.name: one for one in UPSETS}
PROFILE = marker("traffic.pacing=flood", "traffic.foreign.share=0 %")
PACKET = 23  # characters: marker 2, address 1, length 2, payload 16, check 2
LONGEST = 71


def judged(**odd: int) -> dict[str, Any]:
    """What a judge might say of two nodes, the same of both."""
    bursts = {"wrong_clocks": 0, "marginal": 0, "short_gaps": 0}
    packets = {"out_of_order": 0, "ambiguous": 0}
    node = {
        "bursts": {word: odd.get(word, 0) for word in bursts},
        "packets": {word: odd.get(word, 0) for word in packets},
    }
    return {"nodes": [node, node]}


def sent() -> Traffic:
    """Packets back to back, for one node and the other in turn."""
    return Traffic(PROFILE, 2, 20_000_000)


def seen_of(
    traffic: Traffic, heard: Heard, kind: type[PlainNode] = PlainNode
) -> UpsetLink:
    """A link that has carried all of it, and the silence after it."""
    link = UpsetLink(PlainNodes(PROFILE, kind), heard, [32, 32])
    line = traffic.line
    link.carry(line)
    end = Line(no_octets(), line.runs[:0], line.flaws[:0], len(line.octets), 10**9)
    link.carry(end)
    return link


def of(
    traffic: Traffic,
    heard: Heard,
    name: str,
    kind: type[PlainNode] = PlainNode,
    **odd: int,
) -> list[NodeAccount]:
    """The accounts of both nodes."""
    specs = node_specs(PROFILE)
    calm_heard = Hearing(traffic.track, PROFILE.bus).undisturbed()
    calm_link, calm = seen_of(traffic, calm_heard), []
    for spec in specs:
        owns = traffic.own(spec)
        shown = calm_link.seen.shown
        mine = shown[shown["node"] == spec.index]
        assert match(owns, mine, calm_link.seen.data.tobytes(), 10_000) == []
        calm.append(owns)
    link = seen_of(traffic, heard, kind)
    case = Case(PROFILE, specs, UPSET[name], heard, traffic, calm)
    return accounts(case, link.seen, link.halves, judged(**odd))


def test_two_payloads_that_look_like_beginnings() -> None:
    """Twice in a row is beyond the bound, and it is chance all the same."""
    traffic = sent()
    at = int(traffic.sent.rows["first"][20])
    octets = traffic.line.octets
    # Right after the reset a beginning of 47 characters, which ends in a payload with
    # the beginning of 71.
    octets[at + 7 : at + 12] = np.frombuffer(b"\xa5\x5a\x01\x00\x28", np.uint8)
    octets[at + 54 : at + 59] = np.frombuffer(b"\xa5\x5a\x01\x00\x40", np.uint8)
    assert (at + 54) % PACKET == (at + 8) % PACKET  # in the payload of the next but one
    track = traffic.track
    heard = Hearing(track, PROFILE.bus).begun(track.end_ns(at + 5) - 100, off=False)
    assert heard.in_step_ns == track.start_ns(at + 6)
    first, second = of(traffic, heard, "reset-receiving")
    # Packets 24 and 25 begin 92 and 115 characters after packet 20.
    assert (first.by_luck, second.by_luck) == (1, 1)
    for node in (first, second):
        assert (node.missed, node.faults) == (0, [])
        assert node.bound_ns == track.start_ns(at + 6 + LONGEST) - heard.good_ns


class Forgetful(PlainNode):
    """Does not show the fifth packet that it receives."""

    count = 0

    def takes(self, packet: Any) -> bool:
        """See `PlainNode`."""
        mine = super().takes(packet)
        self.count += mine
        return mine and self.count != 5


def test_what_came_before_has_to_be_shown() -> None:
    """An upset excuses nothing that was over when it came."""
    traffic = sent()
    from_ns = int(traffic.sent.rows["last_bit_ns"][20])
    heard = Hearing(traffic.track, PROFILE.bus).silent(from_ns, from_ns + 5_000_000)
    for node in of(traffic, heard, "silence", Forgetful):
        assert node.missed == 1
        fault = f"{node.name} did not show 1 packet that came before it"
        assert node.faults == [fault]


@pytest.mark.parametrize(
    ("odd", "fault"),
    [
        ({"wrong_clocks": 2}, "ebb: 2 bursts with a wrong number of clocks"),
        ({"marginal": 1}, "ebb: 1 burst with a marginal clock"),
        ({"short_gaps": 1}, "ebb: 1 burst begun before the latch gap had passed"),
        ({"out_of_order": 3}, "ebb: 3 packets shown out of order"),
    ],
)
def test_what_no_upset_excuses(odd: dict[str, int], fault: str) -> None:
    """Clocks, gaps and order are the judge's, and fail an upset as well."""
    traffic = sent()
    heard = Hearing(traffic.track, PROFILE.bus).silent(5_000_000, 9_000_000)
    assert of(traffic, heard, "silence", **odd)[0].faults == [fault]


def test_order_says_nothing_where_packets_are_alike() -> None:
    """Packets that cannot be told apart are in no order."""
    traffic = sent()
    heard = Hearing(traffic.track, PROFILE.bus).silent(5_000_000, 9_000_000)
    (ebb, _) = of(traffic, heard, "silence", out_of_order=3, ambiguous=1)
    assert ebb.faults == []


def test_too_few_packets_after_it_say_nothing() -> None:
    """At the very end of the traffic there is nothing left to show."""
    traffic = sent()
    rows = traffic.sent.rows
    heard = Hearing(traffic.track, PROFILE.bus).silent(
        int(rows["last_bit_ns"][-8]), int(rows["start_ns"][-4])
    )
    for node in of(traffic, heard, "silence"):
        assert node.void == [
            f"{node.name}: 2 packets came after its bound, 3 are needed"
        ]
        assert node.faults == []
