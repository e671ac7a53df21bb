"""Upsets on nodes that do all they can, and on nodes that err in one way each."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from unit.traffic.profiles import small
from unit.trial.upset import plain_nodes
from unit.trial.upset.plain_nodes import PlainNodes
from unit.trial.upset.tries import (
    BLACKOUT,
    marker,
    open_ended,
    performed,
    request_of,
    said,
)

from bench.judge.verdict import Outcome
from bench.link.observes import Observes
from bench.profile.load import parse_profile
from bench.trial.upset.named import NAMES
from bench.trial.upset.result import verdict_of

if TYPE_CHECKING:
    from bench.trial.upset.plain_nodes import PlainNode


@pytest.mark.parametrize("framing", ["marker", "cobs", "slip", "hdlc", "break"])
def test_nodes_that_decode_get_over_everything(framing: str) -> None:
    """Every upset passes, and every node shows again by its bound."""
    verdict = said(small(framing))
    assert verdict["verdict"] == "PASS", verdict["reason"]
    assert [one["upset"] for one in verdict["upsets"]] == list(NAMES)
    for one in verdict["upsets"]:
        assert one["times"] == 2
        for node in one["nodes"]:
            assert 1 <= node["first"] <= node["bound"]
            assert node["after_ns"] > 0
            assert (node["wrong"], node["missed"]) == (0, 0)
        # What is lost is lost to the upset: it takes as long as one.
        assert sum(node["unseen"] for node in one["nodes"]) <= 12


@pytest.mark.parametrize("resync", ["timeout", "rescan"])
def test_other_policies(resync: str) -> None:
    """Where the line is silent now and then, every policy gets over everything."""
    silence = ("packet.silence=100 us", f"processor.resync={resync}")
    assert said(marker(*silence))["verdict"] == "PASS"


def test_packets_whose_end_only_the_next_one_shows() -> None:
    """What was still open when the upset came need not be shown, all others have to."""
    verdict = said(open_ended())
    assert verdict["verdict"] == "PASS", verdict["reason"]


def test_an_upset_takes_packets() -> None:
    """While the line is held low nothing is shown, and that is counted."""
    verdict = said(marker(), "stuck-break", lasts_ns=25_000_000)
    (one,) = verdict["upsets"]
    assert one["lasts_ns"] == 25_000_000
    # 200 frames a second: five frames, and those cut at either end.
    assert all(5 <= node["unseen"] <= 7 for node in one["nodes"])


def test_a_reset_shows_half() -> None:
    """A burst that is cut off is told of, and is no fault."""
    verdict = said(marker(), "reset-showing", times=4)
    assert verdict["verdict"] == "PASS"
    (one,) = verdict["upsets"]
    assert sum(node["halves"] for node in one["nodes"]) == 4
    assert "4 bursts were cut off by a reset" in verdict["notes"][0]


# --- nodes that err -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "kind", "reason"),
    [
        ("stuck-break", plain_nodes.Wedged, "never shows again: none of"),
        (
            "stuck-break",
            plain_nodes.Frightened,
            "did not show 2 packets that it has to",
        ),
        ("half-baud", plain_nodes.Confused, "1 burst that showed what was not to be"),
        ("fast-baud", plain_nodes.Garbling, "1 burst that showed what was not to be"),
    ],
)
def test_nodes_that_err(name: str, kind: type[PlainNode], reason: str) -> None:
    """Each way to err fails the upset that brings it out, and no calm traffic."""
    verdict = said(marker(), name, kind=kind, times=4)
    assert verdict["verdict"] == "FAIL"
    assert any(reason in text for text in verdict["failures"]), verdict["failures"]
    assert verdict["reason"].startswith(f"{name} at ")
    assert verdict["exit_code"] == 1


def test_wrong_comes_first() -> None:
    """What was shown wrong stands before what was not shown."""
    verdict = said(marker(), kind=plain_nodes.Garbling, times=1)
    first = next(text for text in verdict["failures"] if "fast-baud" in text)
    assert "what was not to be shown" in first


# --- darkness -------------------------------------------------------------------------


def test_darkness_in_a_silence() -> None:
    """Each node darkens once, and shows the first packet after the silence."""
    verdict = said(marker(*BLACKOUT), "silence")
    assert verdict["verdict"] == "PASS", verdict["reason"]
    (one,) = verdict["upsets"]
    for node in one["nodes"]:
        assert node["dark"] == 2  # once each time
        assert (node["first"], node["bound"]) == (1, 1)
    assert one["lasts_ns"] > 40_000_000


def test_nodes_that_hold_do_nothing_in_a_silence() -> None:
    """Where nothing is to darken, a burst in the silence is one too many."""
    verdict = said(marker(), "silence")
    assert [node["dark"] for node in verdict["upsets"][0]["nodes"]] == [0, 0]
    dark = marker(*BLACKOUT)

    def nodes() -> PlainNodes:
        """Nodes that darken, on a profile that says they do not."""
        return PlainNodes(dark)

    request = request_of(marker(), "silence", lasts_ns=60_000_000)
    tried, _ = performed(request, nodes)
    assert "what was not to be shown" in verdict_of(request, tried)["reason"]


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        (plain_nodes.Hasty, "darkened 3.99 ms too early"),
        (plain_nodes.Late, "too late"),
        (plain_nodes.Bright, "did not darken"),
    ],
)
def test_darkness_at_the_wrong_time(kind: type[PlainNode], reason: str) -> None:
    """Not before its time, not after it, and not never."""
    verdict = said(marker(*BLACKOUT), "silence", kind=kind, times=1)
    assert verdict["verdict"] == "FAIL"
    assert reason in verdict["reason"]


def test_a_short_silence_asks_for_no_darkness() -> None:
    """Shorter than the nodes wait, it must not darken them."""
    verdict = said(marker(*BLACKOUT), "silence", lasts_ns=20_000_000)
    assert verdict["verdict"] == "PASS"
    assert all(node["dark"] == 0 for node in verdict["upsets"][0]["nodes"])


# --- chance ---------------------------------------------------------------------------

NO_CHECK = """
profile = 1
name = "unchecked"
[bus]
baud = "1 Mbaud"
[packet]
framing = "marker"
line_errors = "accept"
fields = [
  { kind = "literal", octets = "A5" },
  { kind = "payload", octets = 16 },
]
[processor]
interrupt = { per_character = "1 us" }
[output]
lanes = 4
devices = 1
register_bits = 32
clock = "1 MHz"
latch_gap = "10 us"
[[node]]
name = "ebb"
address = 1
[traffic]
frame_rate = "200 Hz"
pacing = "timed"
"""


def test_without_a_check_rubbish_is_shown_and_that_is_no_fault() -> None:
    """A format that cannot tell is not the node's fault, and is told of."""
    verdict = said(parse_profile(NO_CHECK), "swapped-wires", "fast-baud", times=6)
    assert verdict["verdict"] == "PASS", verdict["reason"]
    chance = [node["by_chance"] for one in verdict["upsets"] for node in one["nodes"]]
    assert sum(chance) > 0
    assert "and the format has none" in verdict["notes"][0]


# --- what is wrong already ------------------------------------------------------------


def test_calm_traffic_that_fails_is_the_fault() -> None:
    """Nodes that lose packets by themselves need no upset: none is tried."""

    class Deaf(plain_nodes.PlainNode):
        def takes(self, packet: object) -> bool:
            return packet is None

    verdict = said(marker(), "silence", kind=Deaf)
    assert (verdict["verdict"], verdict["upsets"]) == ("FAIL", [])
    assert verdict["reason"].startswith("without any upset already: ")


# --- void -----------------------------------------------------------------------------


def void_of(verdict: dict[str, Any]) -> str:
    """The reason of a void verdict."""
    assert (verdict["verdict"], verdict["exit_code"]) == ("VOID", 4)
    return str(verdict["reason"])


def test_nothing_is_said_of_a_link_that_cannot_see() -> None:
    """Whatever happens to nodes that nobody watches says nothing."""

    class Dim(PlainNodes):
        observes = Observes(data=False)

    profile = marker()
    request = request_of(profile, "silence")
    tried, _ = performed(request, lambda: Dim(profile))
    assert "not observable" in void_of(verdict_of(request, tried))


def test_nothing_is_said_where_nodes_cannot_be_reset() -> None:
    """A link that cannot reset its nodes says so, and of the rest something."""

    class Fixed:
        name = "fixed"

        def __init__(self, profile: object) -> None:
            self.inner = PlainNodes(profile)
            self.observes = self.inner.observes
            self.carry = self.inner.carry
            self.most_octets = self.inner.most_octets
            self.evidence = self.inner.evidence
            self.close = self.inner.close

    profile = marker()
    request = request_of(profile, "silence", "reset-receiving", times=1)
    tried, _ = performed(request, lambda: Fixed(profile))
    verdict = verdict_of(request, tried)
    assert "cannot be made to begin anew on the link fixed" in void_of(verdict)
    assert [one.outcome for one in tried.tried] == [Outcome.PASS, Outcome.VOID]


SQUARE = """
profile = 1
name = "square"
[bus]
baud = "1 Mbaud"
[packet]
framing = "marker"
fields = [
  { kind = "literal", octets = "55" },
  { kind = "payload", octets = 16 },
]
[processor]
interrupt = { per_character = "1 us" }
[output]
lanes = 4
devices = 1
register_bits = 32
clock = "1 MHz"
latch_gap = "10 us"
[[node]]
name = "ebb"
address = 1
[traffic]
frame_rate = "200 Hz"
pacing = "flood"
pattern = "constant-55"
"""


def test_nothing_is_said_where_receivers_have_no_chance() -> None:
    """55h back to back is a square wave: most receivers switched on in it stay lost."""
    request = request_of(parse_profile(SQUARE), "power-up", times=20)
    tried, _ = performed(request, lambda: PlainNodes(request.profile))
    (one,) = tried.tried
    lost = [strike for strike in one.strikes if strike.in_step_ns is None]
    assert len(lost) > 10
    assert {strike.outcome for strike in lost} == {Outcome.VOID}
    assert "no chance to be in step" in void_of(verdict_of(request, tried))


@pytest.mark.parametrize("asked", range(14))
def test_stopped_at_any_time(asked: int) -> None:
    """What was not tried to its end says nothing: a stop fails nobody."""
    answers = iter([None] * asked)
    request = request_of(marker(), "silence", "stuck-break")
    tried, _ = performed(
        request, lambda: PlainNodes(request.profile), lambda: next(answers, 2)
    )
    verdict = verdict_of(request, tried)
    assert verdict["verdict"] == "VOID"
    assert verdict["failures"] == []
    assert any("not tried" in text or "stopped" in text for text in verdict["void"])


# --- again ----------------------------------------------------------------------------


def test_same_seed_same_result() -> None:
    """The same seed strikes at the same instants and gives the same figures."""
    first, again, other = (
        said(marker(), "power-up", "pulled-plug", seed=seed) for seed in (1, 1, 2)
    )
    assert first == again
    instants = [
        [strike["from_ns"] for one in verdict["upsets"] for strike in one["strikes"]]
        for verdict in (first, other)
    ]
    assert len(set(instants[0])) == 4
    assert not set(instants[0]) & set(instants[1])


def test_everything_is_strict_json() -> None:
    """The verdict goes into a file as it is."""
    verdict = said(marker(), "silence", "reset-showing")
    assert json.loads(json.dumps(verdict, allow_nan=False)) == verdict


def test_records_say_what_they_are_of() -> None:
    """Every record of the ledger names its upset and the number of the instant."""
    request = request_of(marker(), "stuck-break")
    tried, nobody = performed(request, lambda: PlainNodes(request.profile))
    assert tried.tried
    assert {(one["upset"], one["strike"]) for one in nobody.records} == {
        ("calm", 0),
        ("stuck-break", 0),
        ("stuck-break", 1),
    }
    # Packets that the upset took are in the anomaly log, with their cause.
    assert any(one.get("kind") == "lost" for one in nobody.records)


def test_limits_on_lateness_are_not_about_upsets() -> None:
    """A node that is late after an upset is late by what was measured."""
    tight = marker("accept.latency=1 us", "accept.skew=1 us")
    assert said(tight, "silence")["verdict"] == "PASS"


def test_the_request_is_not_changed() -> None:
    """A profile with its own limits is put back as it was."""
    profile = marker("accept.loss=10 %")
    request = request_of(profile, "silence")
    performed(request, lambda: PlainNodes(profile))
    assert request.profile is profile
    assert replace(request, times=1).profile.accept.loss == 0.1
