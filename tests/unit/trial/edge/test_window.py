"""The window of bauds: on functions, and on the receivers that the bench has."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

import pytest
from unit.trial.edge.fakes import Boards, asked, prober

from bench.api import load_profile
from bench.trial.edge import result
from bench.trial.edge.ask import is_window
from bench.trial.edge.probe import Silent
from bench.trial.edge.window import OFFSET, Windows
from bench.trial.sweep.offset import heard_off, nodes_of, run_off, sender_of
from bench.trial.sweep.point import SIMULATED, quiet_tools
from bench.trial.sweep.state import State
from bench.trial.upset.traffic import Traffic

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile import Profile

QUEST = asked("-8 %", "8 %", "0.1 %", name=OFFSET)


class Nodes(Boards):
    """Two nodes, each with a window of its own."""

    def __init__(self, *windows: tuple[float, float]) -> None:
        super().__init__(lambda *_: State.PASS)
        self.windows = windows

    def work(self, *given: Any) -> Iterator[Any]:
        """See `bench.trial.sweep.hands.Hands`."""
        for task, record in super().work(*given):
            value = self.tried[-1][0]
            for node, (low, high) in zip(record["nodes"], self.windows, strict=True):
                node["shown"] = node["offered"] if low <= value <= high else 0
            yield task, record


def test_each_node_has_its_own() -> None:
    """Windows of nodes whose clocks are off, their centres, and what all have."""
    nodes = Nodes((-0.05, 0.03), (-0.02, 0.06))
    found = Windows(QUEST, prober(QUEST, nodes)).find()
    for node, (low, high) in zip(found["nodes"], nodes.windows, strict=True):
        assert low <= node["low"] <= low + 0.0011
        assert high - 0.0011 <= node["high"] <= high
        assert node["centre"] == pytest.approx((low + high) / 2, abs=0.0011)
    assert found["window"]["low"] == found["nodes"][1]["low"]
    assert found["window"]["high"] == found["nodes"][0]["high"]
    assert found["monotone"]
    said = result.windows(QUEST, found)
    assert said["verdict"] == "PASS"
    assert said["reason"].startswith("all nodes take a baud that is -")
    tried = [value for value, _, _ in nodes.tried]
    assert len(tried) == len(set(tried)), "one trial is for all nodes"


def test_no_end_of_a_window() -> None:
    """A window that goes on past an end has no centre, and the end is to be moved."""
    found = Windows(QUEST, prober(QUEST, Nodes((-0.05, 1), (-0.05, 1)))).find()
    assert found["window"]["high_bad"] is None
    assert found["window"]["centre"] is None
    said = result.windows(QUEST, found)
    assert (said["verdict"], said["exit_code"]) == ("VOID", 2)


def test_a_node_that_fails_anyhow() -> None:
    """Without an offset already: there is no window to look for."""
    with pytest.raises(Silent, match="two fails without an offset"):
        Windows(QUEST, prober(QUEST, Nodes((-0.05, 0.05), (0.01, 0.05)))).find()


def test_which_quest_is_a_window() -> None:
    """Only offsets to both sides of nought; to one side it is an edge like any."""
    assert is_window(QUEST)
    assert not is_window(asked("0 %", "8 %", name=OFFSET))
    assert not is_window(asked("250 kHz", "2 MHz"))


# --- the receivers of the bench -------------------------------------------------------


def slow(bits: int, samples: int, first: float) -> float:
    """The slowest sender that a receiver takes, as a share of its own baud.

    Formula of the AVR ATmega data sheets, "Asynchronous operational range" (seen):
    R_slow = (D + 1) S / (S - 1 + D S + S_F).
    """
    return (bits + 1) * samples / (samples - 1 + bits * samples + first)


def fast(bits: int, samples: int, middle: float) -> float:
    """The fastest, likewise: R_fast = (D + 2) S / ((D + 1) S + S_M)."""
    return (bits + 2) * samples / ((bits + 1) * samples + middle)


def shown_at(name: str, offset: float, *more: str) -> list[bool]:
    """Whether each node shows everything at an offset."""
    profile = load_profile(name, [f"bus.baud_offset={100 * offset:.6f} %", *more])
    ran = run_off(profile, 1, SIMULATED, quiet_tools())
    nodes = ran.verdict.figures["nodes"]
    packets = [node["packets"] for node in nodes]
    return [bool(p["offered"]) and p["offered"] == p["shown"] for p in packets]


def test_formulas_are_those_printed() -> None:
    """The table of the data sheets, 8 data bits, 16 and 8 samples a bit (seen)."""
    assert (round(100 * slow(8, 16, 8), 2), round(100 * fast(8, 16, 9), 2)) == (
        95.36,
        104.58,
    )
    assert (round(100 * slow(8, 8, 4), 2), round(100 * fast(8, 8, 5), 2)) == (
        96.0,
        103.9,
    )


@pytest.mark.parametrize("name", ["jetty", "slipway"])
def test_window_against_the_published_formulas(name: str) -> None:
    """A receiver that finds the start at once takes what the formulas come to.

    With ever more samples a bit they tend to half a bit over nine and a half: 5.26 % to
    either side for 8N1 (trade press, from memory), and receivers with 16 samples a bit
    take less.
    """
    many = 10**6
    ends = slow(8, many, many / 2) - 1, fast(8, many, many / 2) - 1
    assert ends == (
        pytest.approx(-0.5 / 9.5, abs=1e-5),
        pytest.approx(0.5 / 9.5, abs=1e-5),
    )
    # A nanosecond of a bit at these bauds is a third of a percent of it.
    for end in ends:
        assert all(shown_at(name, 0.98 * end)), end
        assert not any(shown_at(name, 1.02 * end)), end
    for end in (slow(8, 16, 8) - 1, fast(8, 16, 9) - 1):
        assert all(shown_at(name, end)), "16 samples a bit take less"


def test_more_bits_take_less() -> None:
    """Eleven bits with a parity bit: half a bit over ten and a half."""
    parity = ("bus.parity=even",)
    edge = 0.5 / 10.5
    for sign in (-1, 1):
        assert all(shown_at("jetty", sign * 0.98 * edge, *parity))
        assert not any(shown_at("jetty", sign * 1.02 * edge, *parity))


def sent(profile: Profile) -> Traffic:
    """A little traffic at the sender's baud."""
    return Traffic(sender_of(profile), 1, 40_000_000)


def test_within_the_window_everything_is_heard() -> None:
    """Octet by octet what was sent, each where it started."""
    for offset in ("-5 %", "0 %", "5 %"):
        profile = load_profile("jetty", [f"bus.baud_offset={offset}"])
        traffic = sent(profile)
        heard = heard_off(traffic.track, sender_of(profile).bus, nodes_of(profile).bus)
        assert heard.track.line.octets.tobytes() == traffic.line.octets.tobytes()
        assert len(heard.track.line.flaws) == 0
        assert heard.between.tolist() == list(range(len(traffic.track)))
        starts = [heard.track.start_ns(k) for k in range(0, len(heard.track), 97)]
        assert starts == [
            traffic.track.start_ns(k) for k in range(0, len(heard.track), 97)
        ]


def test_sender_and_nodes() -> None:
    """The sender's baud is off, that of the nodes is what the profile says."""
    profile = load_profile("jetty", ["bus.baud_offset=-2.5 %"])
    assert sender_of(profile).bus.baud == 975_000
    assert nodes_of(profile).bus.baud == 1_000_000
    assert Fraction(str(sender_of(profile).bus.baud_offset)) == 0
