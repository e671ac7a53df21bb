"""All points gathered: each once, in the ledger, whatever becomes of who tries them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from bench.base.clock import JumpClock
from bench.base.errors import LinkError
from bench.trial.sweep.axes import Axis, points_of
from bench.trial.sweep.gather import Gatherer
from bench.trial.sweep.hands import Before, Died, InTurn
from bench.trial.sweep.point import Job, Task, Way, record_of
from bench.trial.sweep.result import causes_of, sweep_verdict
from bench.trial.sweep.state import State
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from bench.trial.sweep.hands import Record, Stop

AXES = (Axis("seed", ("1", "2", "3")), Axis("foreign", ("0", "10 %")))
JOB = Job(Template.of_file("causeway"), AXES, 4, None, 0)
POINTS = points_of(AXES)


class Ledger:
    """Keeps records in a list."""

    def __init__(self) -> None:
        self.records: list[Mapping[str, Any]] = []

    def interval(self, record: Mapping[str, Any]) -> None:
        """One more."""
        self.records.append(record)

    def anomaly(self, record: Mapping[str, Any]) -> None:
        """None of these here."""
        raise AssertionError(record)

    def sync(self) -> None:
        """Nothing to sync."""


class Hands:
    """Tries points in any order, and dies over some of them."""

    def __init__(
        self,
        order: Iterable[int] = range(6),
        deaths: Mapping[int, int] = {},
    ) -> None:
        self.order = list(order)
        self.deaths = dict(deaths)
        self.asked: list[int] = []

    def work(
        self, job: Job, tasks: Iterable[Task], stop: Stop
    ) -> Iterator[tuple[Task, Record | Died]]:
        """See `bench.trial.sweep.hands.Hands`."""
        for task in sorted(tasks, key=lambda task: self.order.index(task.index)):
            if stop() is not None:
                return
            self.asked.append(task.index)
            if self.deaths.get(task.index, 0):
                self.deaths[task.index] -= 1
                yield task, Died("killed by SIGKILL")
                continue
            record = record_of(job, task, State.PASS, f"point {task.index}")
            yield task, record | {"loss_upper": 0.1, "confidence": 0.95, "trial_ns": 5}


def gatherer(ledger: Ledger | None = None, told: list[int] | None = None) -> Gatherer:
    """One that has gathered nothing."""

    def tell(one: Gatherer) -> None:
        if told is not None:
            told.append(len(one.done))

    return Gatherer(JOB, POINTS, ledger or Ledger(), JumpClock(), tell)


def test_order_does_not_matter() -> None:
    """Whatever is done first, the records are the same, in the order of the points."""
    made = []
    for order in ([0, 1, 2, 3, 4, 5], [5, 3, 1, 0, 2, 4]):
        ledger, told = Ledger(), list[int]()
        one = gatherer(ledger, told)
        one.gather(Hands(order), lambda: None)
        made.append(one.records)
        assert [record["index"] for record in ledger.records] == order
        assert told == [1, 2, 3, 4, 5, 6]
    assert made[0] == made[1]
    assert [record["index"] for record in made[0]] == [0, 1, 2, 3, 4, 5]


def test_once_dead_is_tried_again() -> None:
    """A point over which a worker died is tried once more, and counts."""
    hands, one = Hands(deaths={2: 1}), gatherer()
    one.gather(hands, lambda: None)
    assert hands.asked == [0, 1, 2, 3, 4, 5, 2]
    assert {record["state"] for record in one.records} == {"pass"}


def test_twice_dead_is_reported() -> None:
    """The second death is told, with how it died, and the sweep goes on."""
    hands, ledger = Hands(deaths={2: 2, 4: 1}), Ledger()
    one = gatherer(ledger)
    one.gather(hands, lambda: None)
    assert hands.asked.count(2) == 2
    (dead,) = [record for record in one.records if record["state"] == "worker died"]
    assert dead["index"] == 2
    assert dead["reason"] == "whoever tried it died, twice: killed by SIGKILL"
    verdict = sweep_verdict(one.records, AXES, 6)
    assert (verdict["verdict"], verdict["states"]["worker died"]) == ("PASS", 1)
    assert "worker died" in verdict["notes"][0]
    assert len(ledger.records) == 6


def test_goes_on_from_what_is_there() -> None:
    """Finished points are not tried again; dead, strange and damaged ones are."""
    first = gatherer()
    first.gather(Hands(deaths={1: 2}), lambda: None)
    known: list[Any] = [dict(record) for record in first.records[:4]]
    known[3]["point"] = {"seed": "9", "foreign": "0"}  # of another sweep
    known += [{"index": 99}, {}, {"index": "2"}]
    hands, second = Hands(), gatherer()
    second.remember(known)
    second.gather(hands, lambda: None)
    assert hands.asked == [1, 3, 4, 5]
    whole = gatherer()
    whole.gather(Hands(), lambda: None)
    assert second.records == whole.records


def test_stopped_in_order() -> None:
    """What was done when a signal came is kept, and the rest is left."""
    one, ledger = gatherer(), Ledger()
    one = gatherer(ledger)
    one.gather(Hands(), lambda: 2 if len(ledger.records) >= 3 else None)
    assert len(one.records) == len(ledger.records) == 3
    verdict = sweep_verdict(one.records, AXES, 6)
    assert verdict["verdict"] == "VOID"
    assert verdict["void"] == ["3 of 6 points were not tried: stopped"]


def test_verdicts() -> None:
    """A failure wins; points that cannot be sent are no fault; silence voids."""

    def records(*states: State) -> list[dict[str, Any]]:
        return [
            record_of(JOB, Task(k, POINTS[k]), state, "because")
            | {"loss_upper": 0.1, "confidence": 0.95}
            for k, state in enumerate(states)
        ]

    good, bad, void = State.PASS, State.FAIL, State.VOID
    cases = [
        ((good, good, bad), "FAIL"),
        ((good, State.MARGINAL, void), "FAIL"),
        ((good, good, void), "PASS"),
        ((good, void, void), "VOID"),
        ((good, State.REFUSED, State.REFUSED), "PASS"),
        ((State.REFUSED, State.REFUSED), "VOID"),
        ((State.SKIPPED, good), "PASS"),
    ]
    for states, said in cases:
        made = records(*states)
        verdict = sweep_verdict(made, AXES, len(made))
        assert verdict["verdict"] == said, states
        assert sum(verdict["states"].values()) == len(made)
    (cause,) = causes_of(records(good, bad, bad, State.REFUSED))
    assert (cause["cause"], cause["count"]) == ("because", 2)
    assert cause["first"] == {"seed": "1", "foreign": "10 %"}


# --- in turn --------------------------------------------------------------------------


class RefusedError(Exception):
    """A link was asked for."""


def no_link(*_: Any) -> Any:
    """A link that is not to be made."""
    raise RefusedError


def test_before_each_point() -> None:
    """The command is told the point; where it fails the point is not tried."""
    told: list[Mapping[str, str]] = []

    def command(point: Mapping[str, str]) -> str:
        told.append(dict(point))
        return "the board does not answer"

    hands = InTurn(Way(no_link), before=Before(command))
    tasks = [Task(k, POINTS[k]) for k in range(2)]
    came = list(hands.work(JOB, tasks, lambda: None))
    assert told == [{"seed": "1", "foreign": "0"}, {"seed": "1", "foreign": "10 %"}]
    for task, record in came:
        assert not isinstance(record, Died)
        assert (record["state"], record["index"]) == ("not tried", task.index)
        assert record["reason"] == "the board does not answer"


def test_boards_settle_before_each_point() -> None:
    """Real boards are left alone for five seconds (RFC 2544, section 23)."""
    clock, asked = JumpClock(), list[int]()

    def make(*_: Any) -> Any:
        asked.append(clock.now_ns())
        raise LinkError("gone")

    hands = InTurn(Way(make, real=True), clock=clock)
    for _ in range(2):
        with pytest.raises(LinkError, match="gone"):
            list(hands.work(JOB, [Task(0, POINTS[0])], lambda: None))
    assert asked == [5_000_000_000, 10_000_000_000]


def test_told_to_stop_while_settling() -> None:
    """A request to stop is seen within a moment, and nothing is begun."""
    clock = JumpClock()
    hands = InTurn(Way(no_link, real=True), clock=clock)
    stop = iter([None, None, None, 15, 15])
    assert not list(hands.work(JOB, [Task(0, POINTS[0])], lambda: next(stop)))
    assert clock.now_ns() < 10**9


def test_boards_need_a_clock() -> None:
    """Nobody could wait for them to settle."""
    with pytest.raises(ValueError, match="clock"):
        InTurn(Way(no_link, real=True))
