"""Small worlds, and exactly what the judge says of them."""

from __future__ import annotations

import json
from typing import Any

import pytest
from unit.judge.rig import (
    CLOCKS,
    EBB,
    EVERY_NODE,
    FLOOD_GATE,
    FOREIGN,
    HARBOUR_END,
    SLACK_WATER,
    Rig,
    payload,
)

from bench.base.columns import Doing, Drop
from bench.base.errors import ExitCode
from bench.judge.judge import Judge
from bench.judge.verdict import Outcome
from bench.link.observes import EVERYTHING, Observes

NONE = dict.fromkeys(
    (
        "offered",
        "shown",
        "lost",
        "corrupt",
        "stray",
        "repeated",
        "out_of_order",
        "late",
        "ambiguous",
    ),
    0,
)


def counts(**expected: int | None) -> dict[str, int | None]:
    """Counts of packets, zero unless stated."""
    return NONE | expected


def flipped(data: bytes, bit: int = 0) -> bytes:
    """Data with one bit turned over."""
    return bytes([data[0] ^ (1 << bit)]) + data[1:]


def healthy(frames: int, *overrides: str) -> Rig:
    """Every packet of some frames is shown at once."""
    rig = Rig(*overrides)
    for frame in range(frames):
        for node in range(4):
            rig.send(node, payload(4 * frame + node), frame)
            rig.show(node, payload(4 * frame + node))
            rig.wait()
    return rig


def causes(figures: dict[str, Any]) -> list[tuple[str, str, int]]:
    """What, why and how often."""
    return [(c["what"], c["cause"], c["count"]) for c in figures["causes"]]


def test_all_shown() -> None:
    """Every packet shown once, in order: PASS, and what that rests on."""
    verdict = healthy(5).verdict()
    assert verdict.outcome is Outcome.PASS
    assert verdict.exit_code == ExitCode.PASS
    assert verdict.figures["packets"] == counts(offered=20, shown=20)
    # 1 - 0.05^(1/20), the exact bound behind the rule of three: 0.139108.
    assert verdict.reason == (
        "20 of 20 packets shown; loss below 0.139 at 95 % confidence, if packets are "
        "lost independently of each other, at one rate throughout"
    )
    assert verdict.figures["loss_upper"] == pytest.approx(0.139108, abs=5e-7)
    assert verdict.figures["dropped_frames"] == 0


def test_times() -> None:
    """Latency from the last bit in (RFC 1242, store and forward), skew over a frame."""
    figures = healthy(5).verdict().figures
    # By hand: 10 us to the first bit, then 100 us of burst and 500 us of gap; a node
    # follows the one before after 24 characters of 2.5 us and 1 ms.
    assert figures["latency_ns"]["first_bit"] == {
        "n": 20,
        "p50": 10_000,
        "p99": 10_000,
        "p99.9": 10_000,
        "max": 10_000,
    }
    assert figures["latency_ns"]["shown"]["max"] == 610_000
    assert figures["skew_ns"]["n"] == 5
    assert figures["skew_ns"]["max"] == 3 * (24 * 2500 + 1_000_000)
    assert [node["latest_ns"] for node in figures["nodes"]] == [610_000] * 4


def test_line() -> None:
    """Characters and the offered load: the share of time the line carries them."""
    figures = healthy(5).verdict().figures
    # By hand: 20 packets of 24 characters of 2.5 us; 19 pauses of 1 ms between them.
    busy, idle = 20 * 24 * 2500, 19 * 1_000_000
    assert figures["line"] == {
        "characters": 480,
        "lasted_ns": busy + idle,
        "offered_load": pytest.approx(busy / (busy + idle)),
    }


def test_loss_rate_of_rfc_2544() -> None:
    """1000 in and 997 out is a loss of 0.3 %."""
    # RFC 2544, 26.3: ((input_count - output_count) * 100) / input_count.
    rig = Rig()
    for frame in range(1000):
        rig.send(EBB, payload(frame), frame)
        if frame not in (10, 500, 999):
            rig.show(EBB, payload(frame))
        rig.wait()
    verdict = rig.verdict()
    assert verdict.outcome is Outcome.FAIL
    assert verdict.figures["packets"] == counts(offered=1000, shown=997, lost=3)
    assert 100 * verdict.figures["loss_rate"] == pytest.approx(0.3)
    assert verdict.figures["dropped_frames"] == 3
    assert verdict.reason == (
        "3 of 1000 packets were not shown at ebb: cause not known"
    )


def test_loss_within_the_limit() -> None:
    """A limit on the loss is a limit on its rate."""
    rig = Rig("accept.loss=30 %")
    for frame in range(10):
        rig.send(EBB, payload(frame), frame)
        if frame not in (1, 4, 7):
            rig.show(EBB, payload(frame))
        rig.wait()
    verdict = rig.verdict()
    assert verdict.outcome is Outcome.PASS
    assert verdict.figures["packets"]["lost"] == 3


def test_repeated_and_out_of_order() -> None:
    """A packet shown twice, and one that comes after its successor."""
    rig = Rig()
    for k in range(3):
        rig.send(EBB, payload(k), k)
        rig.wait()
    for k in (1, 0, 1, 2):
        rig.show(EBB, payload(k))
        rig.wait()
    verdict = rig.verdict()
    assert verdict.figures["packets"] == counts(
        offered=3, shown=3, repeated=1, out_of_order=1
    )
    assert verdict.failures == (
        "1 of 3 packets was shown more than once at ebb",
        "1 of 3 packets was shown out of order at ebb",
    )
    assert verdict.figures["causes"] == []
    assert verdict.figures["dropped_frames"] == 0


def test_corrupt_takes_the_nearest() -> None:
    """Wrong data belong to the packet that differs in the fewest bits."""
    rig = Rig()
    for k in range(2):
        rig.send(EBB, bytes([0x55 + k]) * 16, k)
        rig.wait()
    rig.show(EBB, flipped(bytes([0x56]) * 16))
    rig.wait()
    rig.show(EBB, bytes([0x55]) * 16)
    judge = rig.judge()
    figures = judge.result().figures
    assert figures["packets"] == counts(offered=2, shown=1, corrupt=1)
    [anomaly] = judge.anomalies()
    assert (anomaly["packet"], anomaly["bits"]) == (1, 1)
    assert anomaly["expected"] == "56" * 16
    assert anomaly["seen"] == "57" + "56" * 15


def test_extra_clock() -> None:
    """One clock too many fails the trial by its name, whatever the data."""
    rig = healthy(1)
    for k in (100, 101):
        rig.send(EBB, payload(k), 1)
        data = payload(k) if k == 100 else flipped(payload(k))
        rig.show(EBB, data, clocks=CLOCKS + 1)
        rig.wait()
    verdict = rig.verdict()
    assert verdict.reason == (
        "2 of 6 bursts had a wrong number of clocks at ebb: mostly 1 clock too many"
    )
    assert verdict.figures["packets"] == counts(offered=6, shown=5, corrupt=1)
    assert causes(verdict.figures) == [
        ("corrupt", "1 clock too many: data shifted by one bit", 1),
        ("wrong_clocks", "1 clock too many", 1),
        ("wrong_clocks", "1 clock too many, data intact", 1),
    ]


def test_right_data_with_a_wrong_clock_count_fails() -> None:
    """Wrong clocks fail a trial in which every packet was shown as it was sent."""
    rig = healthy(1)
    rig.send(EBB, payload(9), 1)
    rig.show(EBB, payload(9), clocks=CLOCKS - 2)
    verdict = rig.verdict()
    assert verdict.figures["packets"] == counts(offered=5, shown=5)
    assert verdict.failures == (
        (
            "1 of 5 bursts had a wrong number of clocks at ebb: 2 clocks too few, data "
            "intact"
        ),
    )


def test_stray_says_whose() -> None:
    """A burst that holds what was for somebody else is a stray, and says for whom."""
    rig = Rig()
    rig.send(EBB, payload(1), 0)
    rig.send(FOREIGN, payload(2), address=18)
    rig.send(FLOOD_GATE, payload(3), 0)
    rig.show(FLOOD_GATE, payload(3))
    for k in (1, 2, 4):
        rig.show(SLACK_WATER, payload(k))
        rig.wait()
    verdict = rig.verdict()
    assert verdict.figures["packets"] == counts(offered=2, shown=1, lost=1, stray=3)
    assert [c for c in causes(verdict.figures) if c[0] == "stray"] == [
        ("stray", "holds a packet for ebb", 1),
        ("stray", "holds a packet for foreign address 18", 1),
        ("stray", "holds no packet sent lately", 1),
    ]


def test_stray_takes_no_packet_with_it() -> None:
    """A node that waits for its own and shows another's loses nothing by that."""
    rig = Rig()
    rig.send(FOREIGN, payload(1))
    rig.send(EBB, payload(2), 0)
    rig.show(EBB, payload(1))
    rig.wait()
    rig.show(EBB, payload(2))
    assert rig.verdict().figures["packets"] == counts(offered=1, shown=1, stray=1)


def test_before_its_last_bit_nothing_can_be_shown() -> None:
    """A burst that begins before a packet's last bit cannot be that packet."""
    rig = Rig()
    rig.send(EBB, payload(1), 0)
    rig.show(EBB, payload(1), after_ns=-1)
    assert rig.verdict().figures["packets"] == counts(offered=1, lost=1, stray=1)
    times_unknown = Observes(times=False)
    assert rig.verdict(times_unknown).figures["packets"] == counts(
        offered=1, shown=1, late=None
    )


def test_broadcast_is_for_everybody() -> None:
    """A broadcast packet is offered to each node, and missed by one of them."""
    rig = healthy(1)
    rig.send(EVERY_NODE, payload(9), 0, address=255)
    for node in (SLACK_WATER, EBB, HARBOUR_END):
        rig.show(node, payload(9), after_ns=10_000 * (node + 1))
    figures = rig.verdict().figures
    assert figures["packets"] == counts(offered=8, shown=7, lost=1)
    assert figures["nodes"][FLOOD_GATE]["packets"] == counts(offered=2, shown=1, lost=1)
    # Own packets of frame 0 over 3.18 ms; the broadcast with its number over 30 us.
    assert (figures["skew_ns"]["n"], figures["skew_ns"]["max"]) == (2, 3_180_000)
    assert figures["skew_ns"]["p50"] == pytest.approx(30_000, rel=1e-3)
    assert figures["dropped_frames"] == 1


def test_late() -> None:
    """Shown after the limit is late, at the limit is not; it is shown all the same."""
    rig = Rig()
    for k, after in enumerate((25_000_000 - 600_000, 25_000_001 - 600_000)):
        rig.send(EBB, payload(k), k)
        rig.show(EBB, payload(k), after_ns=after)
        rig.wait(30_000_000)
    verdict = rig.verdict()
    assert verdict.figures["packets"] == counts(offered=2, shown=2, late=1)
    assert verdict.reason == (
        "1 of 2 packets was shown late at ebb, the latest after 25.000001 ms, "
        "limit 25 ms"
    )


def test_skew() -> None:
    """One frame spread over more than the limit fails."""
    rig = Rig("accept.skew=3 ms")
    for node in (SLACK_WATER, EBB):
        rig.send(node, payload(node), 0)
        rig.show(node, payload(node))
        rig.wait(2_940_001)
    assert rig.verdict().failures == (
        "one frame was shown over 3.000001 ms, limit 3 ms",
    )


def test_short_latch_gap() -> None:
    """A burst too soon shifts the one before through: lost, and the gap is named."""
    rig = Rig()
    rig.send(EBB, payload(0), 0)
    rig.show(EBB, payload(0), latched=False)
    rig.send(EBB, payload(1), 1)
    rig.show(EBB, payload(1), after_ns=400_000)
    verdict = rig.verdict()
    assert verdict.figures["packets"] == counts(offered=2, shown=1, lost=1)
    # By hand: the second packet takes 60 us, the bursts begin 10 us and 460 us after
    # the first packet, and the first lasts 100 us.
    assert verdict.figures["bursts"]["least_gap_ns"] == 350_000
    assert verdict.reason == (
        "1 of 2 bursts began before the latch gap had passed at ebb: the least was "
        "0.35 ms"
    )
    assert causes(verdict.figures) == [
        ("lost", "latch gap short: shifted through by the next burst", 1)
    ]


def test_alike_are_counted_and_said_so() -> None:
    """Packets that hold the same while both wait: counts only, no times."""
    rig = Rig()
    for frame in range(2):
        rig.send(EBB, payload(7), frame)
    rig.show(EBB, payload(7))
    rig.wait()
    rig.show(EBB, payload(7))
    verdict = rig.verdict()
    assert verdict.outcome is Outcome.PASS
    assert verdict.figures["packets"] == counts(offered=2, shown=2, ambiguous=2)
    assert verdict.figures["latency_ns"]["shown"]["n"] == 0
    [note] = verdict.as_dict()["notes"]
    assert note.startswith("2 of 2 packets held the same as another")


def test_one_after_the_other_is_not_alike() -> None:
    """A static picture is not ambiguous while each packet is shown before the next."""
    rig = Rig()
    for frame in range(4):
        rig.send(EBB, payload(7), frame)
        rig.show(EBB, payload(7))
        rig.wait()
    assert rig.verdict().figures["packets"] == counts(offered=4, shown=4)


def test_node_that_shows_nothing() -> None:
    """Everything is lost, and no latency is made up."""
    rig = Rig()
    for frame in range(100):
        rig.send(EBB, payload(frame), frame)
        rig.send(HARBOUR_END, payload(1000 + frame), frame)
        rig.show(HARBOUR_END, payload(1000 + frame))
        rig.wait()
    verdict = rig.verdict()
    ebb = verdict.figures["nodes"][EBB]
    assert ebb["packets"] == counts(offered=100, lost=100)
    assert ebb["latest_ns"] is None
    assert ebb["bursts"]["least_gap_ns"] is None
    assert ebb["silent_packets"] == 0  # it never worked: not wedged, but missing
    assert verdict.figures["dropped_frames"] == 100
    assert verdict.reason.startswith("100 of 200 packets were not shown at ebb")


def test_wedged() -> None:
    """A node that worked and then shows nothing more is wedged, void trial or not."""
    rig = healthy(10)
    for frame in range(10, 40):
        rig.send(EBB, payload(1000 + frame), frame)
        rig.wait()
    verdict = rig.verdict(void=["the driver's queue ran dry"])
    assert verdict.outcome is Outcome.FAIL
    assert verdict.failures == (
        "ebb is wedged: it showed nothing of the last 30 packets sent to it",
    )
    assert verdict.void == ("the driver's queue ran dry",)


def test_a_lossy_node_is_not_wedged() -> None:
    """A silence that its losses before explain is no wedge."""
    rig = Rig()
    for frame in range(200):
        rig.send(EBB, payload(frame), frame)
        if frame % 20 == 10 and frame < 180:
            rig.show(EBB, payload(frame))
        rig.wait()
    assert rig.verdict().figures["nodes"][EBB]["silent_packets"] == 0


@pytest.mark.parametrize(
    ("odd", "outcome"),
    [
        ("lost", Outcome.VOID),
        ("late", Outcome.VOID),
        ("marginal", Outcome.VOID),
        ("stray", Outcome.FAIL),
        ("corrupt", Outcome.FAIL),
        ("clocks", Outcome.FAIL),
    ],
)
def test_void_hides_only_what_the_host_can_cause(odd: str, outcome: Outcome) -> None:
    """A late host explains losses and lateness, and nothing else."""
    rig = healthy(2)
    rig.send(EBB, payload(99), 3)
    data = flipped(payload(99)) if odd == "corrupt" else payload(99)
    if odd == "stray":
        rig.show(FLOOD_GATE, payload(99))
    if odd != "lost":
        rig.show(
            EBB,
            data,
            after_ns=30_000_000 if odd == "late" else 10_000,
            clocks=CLOCKS + (odd == "clocks"),
            marginal=int(odd == "marginal"),
        )
    verdict = rig.verdict(void=["packets were written 12 ms late"])
    assert verdict.outcome is outcome
    assert rig.verdict().outcome is Outcome.FAIL
    if outcome is Outcome.VOID:
        assert verdict.reason == "packets were written 12 ms late"
        assert verdict.exit_code == ExitCode.VOID


def test_nothing_offered() -> None:
    """No packet, no verdict: VOID, and no rate."""
    rig = Rig()
    rig.send(FOREIGN, payload(1))
    verdict = rig.verdict()
    assert verdict.outcome is Outcome.VOID
    assert verdict.reason == "no packet was offered to a node that is observed"
    assert verdict.figures["loss_rate"] is None
    assert verdict.figures["loss_upper"] is None


def test_link_that_sees_only_data() -> None:
    """What is not observable is None and never zero, down to each node."""
    only_data = Observes(
        clocks=False, marginal=False, times=False, dropped=False, lost=False
    )
    rig = healthy(3)
    rig.send(EBB, payload(99), 3)
    verdict = rig.verdict(only_data)
    figures = verdict.figures
    assert figures["packets"] == counts(offered=13, shown=12, lost=1, late=None)
    assert figures["bursts"] == {
        "count": 12,
        "wrong_clocks": None,
        "marginal": None,
        "least_gap_ns": None,
        "short_gaps": None,
        "lane_skew_ns": None,
    }
    assert figures["latency_ns"] == {"first_bit": None, "shown": None}
    assert figures["skew_ns"] is None
    assert figures["lost_characters"] is None
    assert figures["nodes"][EBB]["latest_ns"] is None
    assert causes(figures) == [("lost", "cause not observable", 1)]
    assert verdict.not_observable == (
        "clocks",
        "marginal pulses",
        "latch gaps",
        "latency",
        "skew",
    )


def test_link_that_sees_only_that_something_is_shown() -> None:
    """Without data bursts are counted off in order; what they held is not known."""
    rig = healthy(3)
    rig.send(EBB, payload(99), 3)
    rig.show(HARBOUR_END, payload(5))
    verdict = rig.verdict(Observes(data=False))
    assert verdict.figures["packets"] == counts(
        offered=13,
        shown=12,
        lost=1,
        stray=1,
        corrupt=None,
        repeated=None,
        out_of_order=None,
        late=None,
        ambiguous=None,
    )
    assert verdict.figures["latency_ns"]["shown"] is None
    assert ("stray", "nothing was to be shown", 1) in causes(verdict.figures)


def test_link_that_sees_nothing() -> None:
    """A link without sightings gives no verdict on packets."""
    rig = healthy(2)
    blind = Observes(*[False] * 7)
    verdict = rig.verdict(blind)
    assert verdict.outcome is Outcome.VOID
    assert verdict.reason == "what the nodes show is not observable on this link"
    assert verdict.figures["packets"] == {
        word: 8 if word == "offered" else None for word in NONE
    }


def test_link_that_sees_one_node() -> None:
    """Packets for nodes that nobody watches are not offered to anybody."""
    rig = healthy(3)
    rig.bursts = [(row, data) for row, data in rig.bursts if row[7] == EBB]
    verdict = rig.verdict(Observes(nodes=(EBB,)))
    assert verdict.outcome is Outcome.PASS
    assert verdict.figures["packets"]["offered"] == 3
    assert verdict.figures["nodes"][SLACK_WATER] == {
        "name": "slack-water",
        "address": 1,
        "observed": False,
    }


def test_packets_too_late_to_judge_are_not_offered() -> None:
    """What was sent after the end of sight is neither lost nor offered."""
    rig = healthy(2)
    rig.send(EBB, payload(99), 3)
    assert rig.judge().result().figures["packets"]["lost"] == 1
    early = Judge(rig.profile, EVERYTHING)
    for chunk in rig.chunks():
        early.take(*chunk)
    early.finish(rig.sent[-1][5] - 1)
    assert early.result().figures["packets"] == counts(offered=8, shown=8)


def test_strict_json() -> None:
    """The dict is strict JSON with the keys that readers rely on."""
    rig = healthy(1)
    rig.send(EBB, payload(9), 1)
    told = json.loads(json.dumps(rig.verdict().as_dict(), allow_nan=False))
    assert told["verdict"] == "FAIL"
    assert {"offered", "shown", "lost", "corrupt", "stray", "repeated"} < set(
        told["packets"]
    )
    assert {"count", "wrong_clocks", "marginal"} < set(told["bursts"])
    assert set(told["latency_ns"]) == {"first_bit", "shown"}
    assert set(told["latency_ns"]["shown"]) == {"n", "p50", "p99", "p99.9", "max"}
    assert [node["name"] for node in told["nodes"]] == [
        "slack-water",
        "ebb",
        "flood-gate",
        "harbour-end",
    ]
    assert told["causes"][0]["cause"] == "cause not known"
    assert told["loss"]["packets_needed"] == {
        "1e-4": 29_956,
        "1e-5": 299_572,
        "1e-6": 2_995_731,
    }


def test_overrun_is_told_with_what_was_lost() -> None:
    """A lost packet whose receiver lost characters says how many, and which first."""
    rig = healthy(1)
    packet = rig.send(EBB, payload(9), 1)
    for character in (7, 8, 11):
        rig.lose(EBB, packet, character, Doing.RECEIVE_BODY)
    rig.drop(EBB, packet, Drop.BAD_CHECK)
    judge = rig.judge()
    verdict = judge.result()
    assert verdict.reason == (
        "1 of 5 packets was not shown at ebb: receiver overrun while in the receive "
        "handler"
    )
    assert verdict.figures["lost_characters"] == 3
    [cause] = verdict.figures["causes"]
    assert cause["first"] == {
        "ns": rig.sent[packet][5],
        "node": "ebb",
        "packet": packet,
        "frame": 1,
        "sent_ns": rig.sent[packet][4],
        "lost_characters": 3,
        "first_lost": 7,
    }
    [anomaly] = judge.anomalies()
    assert anomaly["expected"] == payload(9).hex()
    assert anomaly["seen"] is None
    assert len(anomaly["before"]) == 3
    assert anomaly["before"][-1].startswith("a55a0400")


def test_anomalies_are_bounded() -> None:
    """The first hundred of a kind in detail, then one line that says so, then none."""
    rig = Rig()
    for frame in range(130):
        rig.send(EBB, payload(frame), frame)
        rig.wait()
    rig.send(EBB, payload(999), 130)
    rig.show(EBB, flipped(payload(999)), clocks=CLOCKS + 1)
    judge = rig.judge()
    told = judge.anomalies()
    kinds = [anomaly["kind"] for anomaly in told]
    assert kinds.count("lost") == 101
    assert (kinds.count("corrupt"), kinds.count("wrong_clocks")) == (1, 1)
    [note] = [anomaly for anomaly in told if "note" in anomaly]
    assert note == {
        "kind": "lost",
        "note": "the first 100 are told in detail, the rest only counted",
    }
    assert judge.anomalies() == []
    assert judge.result().figures["packets"]["lost"] == 130


def test_rows_that_point_beyond_their_octets() -> None:
    """A kernel follows no place that is not there."""
    rig = healthy(1)
    [(line, sent, seen)] = rig.chunks()
    seen.shown["data_octets"][3] = 17
    with pytest.raises(ValueError, match="burst row 3 points beyond"):
        Judge(rig.profile, EVERYTHING).take(line, sent, seen)
    sent.rows["payload_at"][2] = 49
    with pytest.raises(ValueError, match="row 2 points beyond"):
        Judge(rig.profile, EVERYTHING).take(line, sent, seen)
