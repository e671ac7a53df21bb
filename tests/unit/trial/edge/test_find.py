"""An edge found on boards that are a function: decided, explained, how sure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from unit.trial.edge.fakes import Boards, above, asked, prober

from bench.base.errors import UsageError
from bench.trial.edge import result
from bench.trial.edge.find import NoChange, find
from bench.trial.edge.probe import Silent, Stopped
from bench.trial.sweep.state import State

if TYPE_CHECKING:
    from fractions import Fraction

    from bench.trial.edge.find import Quest

CLOCK = asked("250 kHz", "2 MHz")
LONG_NS = 10 * 10**9


def test_found_and_decided() -> None:
    """Short trials find it, a long one decides, a bad one needs no longer look."""
    boards = Boards(above(1_190_000))
    found = find(CLOCK, prober(CLOCK, boards))
    assert found["last_good"] <= 1_190_000 < found["first_bad"]
    assert found["first_bad"] - found["last_good"] <= 0.01 * found["last_good"]
    assert found["cause"] == f"fail at {found['first_bad_text']}"
    assert found["monotone"]
    assert found["marginal"] is None
    long = {value for value, _, ns in boards.tried if ns > LONG_NS}
    assert long == {found["last_good"]}


def test_said_in_one_sentence() -> None:
    """The reason names both values and why."""
    found = find(CLOCK, prober(CLOCK, Boards(above(1_190_000))))
    said = result.found(CLOCK, found)
    assert (said["verdict"], said["exit_code"]) == ("PASS", 0)
    text = f"last good output.clock = {found['last_good_text']}, first bad "
    assert said["reason"].startswith(text)
    assert said["reason"].endswith(found["cause"])


def test_a_rare_failure_moves_the_edge() -> None:
    """What passes a short trial and fails a long one is not good."""

    def says(value: Fraction, seed: int, ns: int) -> State:
        limit = 800_000 if ns > LONG_NS else 1_190_000
        return above(limit)(value, seed, ns)

    boards = Boards(says)
    found = find(CLOCK, prober(CLOCK, boards))
    assert found["last_good"] <= 800_000 < found["first_bad"]
    assert found["first_bad"] - found["last_good"] <= 0.01 * found["last_good"]
    long = {value for value, _, ns in boards.tried if ns > LONG_NS}
    assert {found["last_good"], found["first_bad"]} <= long
    assert len(long) < 20


def test_good_end_that_is_not_good_for_long() -> None:
    """If nothing lasts there is no edge: the end that should work does not."""

    def says(value: Fraction, seed: int, ns: int) -> State:
        return above(1 if ns > LONG_NS else 1_190_000)(value, seed, ns)

    with pytest.raises(NoChange) as raised:
        find(CLOCK, prober(CLOCK, Boards(says)))
    assert not raised.value.good
    assert result.unchanged(CLOCK, raised.value)["first_bad"] == 250_000


def test_as_bad_as_the_worst_seed() -> None:
    """A value that fails with one seed of three is bad, and the share is told."""
    boards = Boards(
        lambda v, seed, ns: above(600_000 if seed == 3 else 900_000)(v, seed, ns)
    )
    found = find(CLOCK, prober(CLOCK, boards, seeds=(1, 2, 3)))
    assert found["last_good"] <= 600_000 < found["first_bad"]
    sides = found["evidence"]
    assert (sides["first_bad"]["trials"], sides["first_bad"]["failed"]) == (3, 1)
    assert sides["last_good"]["failed"] == 0
    assert sides["last_good"]["lost"] == 0
    assert sides["first_bad"]["lost"] == 100


def test_how_sure() -> None:
    """Bounds are exact ones over all trials of a value."""
    found = find(CLOCK, prober(CLOCK, Boards(above(1_190_000), packets=59)))
    sides = found["evidence"]
    # 59 without a failure: 95 % at 5 % (success-run theorem, reliability handbooks,
    # from memory).
    assert sides["last_good"]["loss_upper"] == pytest.approx(0.05, abs=0.001)
    assert sides["confidence"] == 0.95
    assert sides["same_rate_chance"] < 1e-30


def test_margin_is_told_apart() -> None:
    """Between good and bad it may go either way, and the note says so."""

    def says(value: Fraction, seed: int, ns: int) -> State:
        if value > 1_190_000:
            return State.FAIL
        return above(1_136_000, State.MARGINAL)(value, seed, ns)

    found = find(CLOCK, prober(CLOCK, Boards(says)))
    margin = found["marginal"]
    assert found["last_good"] <= 1_136_000 < margin["first"]
    assert margin["last"] <= 1_190_000 < found["first_bad"]
    (note,) = result.found(CLOCK, found)["notes"]
    assert note.startswith(f"marginal from {margin['first_text']} to ")


def test_not_monotone_is_told() -> None:
    """Good again behind the edge: said so, with where."""
    boards = Boards(
        lambda v, *_: (
            State.FAIL if 400_000 < v < 900_000 or v > 1_900_000 else State.PASS
        )
    )
    found = find(CLOCK, prober(CLOCK, boards))
    assert not found["monotone"]
    assert found["last_good"] <= 400_000 < found["first_bad"]
    (note,) = result.found(CLOCK, found)["notes"]
    assert note.startswith("not monotone: good again at ")
    assert found["against"][0]["text"] in note


def test_the_other_way_round() -> None:
    """The good end may be the higher one, and either may come first."""
    boards = Boards(lambda v, *_: State.PASS if v > 700_000 else State.FAIL)
    for quest in (CLOCK, asked("2 MHz", "250 kHz")):
        found = find(quest, prober(quest, boards))
        assert found["first_bad"] <= 700_000 < found["last_good"]


@pytest.mark.parametrize(
    ("limit", "said"),
    [
        (10**9, "an end that fails @ output.clock (neither end fails: move the end"),
        (1, "an end that works @ output.clock (both ends fail: move the end"),
    ],
)
def test_no_change(limit: int, said: str) -> None:
    """Two ends alike are told, which way they are, and what to try."""
    with pytest.raises(NoChange) as raised:
        find(CLOCK, prober(CLOCK, Boards(above(limit))))
    same = result.unchanged(CLOCK, raised.value)
    assert same["reason"].startswith("no change: 250 kHz .. 2 MHz, expected ")
    assert said in same["reason"]
    assert (same["verdict"], same["exit_code"]) == ("VOID", 2)
    assert same["last_good"] == (2_000_000 if limit > 10**6 else None)
    assert same["first_bad"] == (None if limit > 10**6 else 250_000)


def test_a_longer_look_at_the_end() -> None:
    """An end that fails only in a long trial does as the bad one."""

    def says(value: Fraction, _: int, ns: int) -> State:
        bad = value > 1_900_000 and ns > LONG_NS
        return State.FAIL if bad else State.PASS

    found = find(CLOCK, prober(CLOCK, Boards(says)))
    assert found["last_good"] <= 1_900_000 < found["first_bad"]


def test_what_cannot_be_sent_is_bad() -> None:
    """Past what the line has room for lies an edge too, and its cause is told."""
    found = find(CLOCK, prober(CLOCK, Boards(above(500_000, State.REFUSED))))
    assert found["last_good"] <= 500_000 < found["first_bad"]
    assert found["cause"].startswith("cannot be sent at")


def test_void_and_stopped() -> None:
    """A trial that says nothing, and a signal, end the search."""
    with pytest.raises(Silent, match="void at 250 kHz"):
        find(CLOCK, prober(CLOCK, Boards(lambda *_: State.VOID)))
    stopped = prober(CLOCK, Boards(above(1_190_000)))
    stopped.obey(lambda: 15 if len(stopped.tried) > 3 else None)
    with pytest.raises(Stopped):
        find(CLOCK, stopped)


@pytest.mark.parametrize(
    ("ends", "more", "said"),
    [
        (("250 kHz", "250 kHz"), {}, "empty range: 250 kHz .. 250 kHz"),
        (("250 kHz", "2 Mbaud"), {}, "values of two kinds: 2 Mbaud"),
        (("slow", "2 MHz"), {}, "not a number: slow"),
        (("0", "2 MHz"), {"scale": "log"}, "out of range: 0"),
        (("1", "9"), {"name": "seed"}, "seeds have no order"),
        (("1", "9"), {"name": "output.clok"}, "did you mean output.clock"),
    ],
)
def test_wrong_questions(
    ends: tuple[str, str], more: dict[str, str], said: str
) -> None:
    """What cannot be looked for is told in one line."""
    with pytest.raises(UsageError, match=said):
        asked(*ends, **more)


def test_ratios_wherever_they_can_be() -> None:
    """Shares and what begins at nought are halved by difference."""
    quests: dict[str, Quest] = {
        "ratios": CLOCK,
        "shares": asked("1 %", "80 %", name="foreign"),
        "from nought": asked("0 us", "40 us", name="processor.rearrange.per_octet"),
        "asked": asked("250 kHz", "2 MHz", scale="linear"),
    }
    assert {name: quest.log for name, quest in quests.items()} == {
        "ratios": True,
        "shares": False,
        "from nought": False,
        "asked": False,
    }
