"""Response times against published worked examples, whose traps are the point.

Sets A to D: Burns and Wellings, Real-Time Systems and Programming Languages, chapter on
scheduling; E, E': Sha and Goodenough, Computer, 1990; F: Lehoczky, RTSS 1990; G: Davis,
Burns, Bril and Lukkien, Real-Time Systems 35, 2007 (abstract seen); H: Bril, CS-Report
07-11, fig. 3.  Numbers are from memory but for G and H, and were worked out twice, by
recurrence and tick by tick.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.budget.response import Task, begun, done, load, response


def tasks_of(*rows: tuple[float, float]) -> list[Task]:
    """Tasks of (cost, period), the highest priority first."""
    return [
        Task(str(at), Fraction(str(cost)), Fraction(str(period)))
        for at, (cost, period) in enumerate(rows)
    ]


SETS = {
    "D": ([(3, 7), (3, 12), (5, 20)], [3, 6, 20]),
    "C": ([(5, 20), (10, 40), (40, 80)], [5, 15, 80]),
    "B": ([(4, 16), (5, 40), (32, 80)], [4, 9, 58]),
    "A": ([(10, 30), (10, 40), (12, 50)], [10, 20, 52]),
    "E": ([(20, 100), (40, 150), (100, 350)], [20, 60, 240]),
    "E'": ([(40, 100), (40, 150), (100, 350)], [40, 80, 300]),
    "H": ([(2, 5), (3, 7)], [2, 5]),
}


@pytest.mark.parametrize("name", SETS)
def test_worked_examples(name: str) -> None:
    """The responses that the books print (papers and handbooks, from memory)."""
    rows, worst = SETS[name]
    tasks = tasks_of(*rows)
    found = [response(task, tasks[:at]).worst for at, task in enumerate(tasks)]
    assert found == worst


def test_the_worst_job_need_not_be_the_first() -> None:
    """F: the fifth job of the busy period is the latest (paper, from memory)."""
    short, long = tasks_of((26, 70), (62, 100))
    found = response(long, [short])
    assert found.jobs == (114, 102, 116, 104, 118, 106, 94)
    assert (found.worst, found.job) == (118, 5)


def test_what_is_not_preempted_may_be_later_in_its_second_job() -> None:
    """G: the analysis that stops at the first job gives 3; it is 3.5 (paper)."""
    tasks = tasks_of((1, 2.5), (1, 3.5), (1, 3.5))
    worst = [
        response(task, tasks[:at], blocking=1 if at < 2 else 0, preemptive=False).worst
        for at, task in enumerate(tasks)
    ]
    assert worst == [2, 3, Fraction(7, 2)]
    third = response(tasks[2], tasks[:2], preemptive=False)
    assert third.jobs[0] == 3
    assert third.job == 2


def test_a_transfer_is_not_a_task_that_is_preempted() -> None:
    """Pre-emptive analysis of a transfer is wrong either way: G again (paper)."""
    tasks = tasks_of((1, 2.5), (1, 3.5), (1, 3.5))
    assert response(tasks[0], []).worst == 1  # a transfer under way makes it 2
    # Its start is what others hold up: pre-empted, it would be done later still.
    assert response(tasks[2], tasks[:2]).worst > Fraction(7, 2)


def test_the_load_alone_is_no_verdict() -> None:
    """C takes all of the time and fits, A takes 82 % and does not (handbook)."""
    full, light = tasks_of(*SETS["C"][0]), tasks_of(*SETS["A"][0])
    assert load(full) == 1
    assert response(full[2], full[:2]).worst <= 80
    assert load(light) == Fraction(247, 300)
    assert response(light[2], light[:2]).worst > 50


def liu_layland(count: int) -> float:
    """Load up to which so many rate-monotonic tasks are schedulable for certain."""
    return float(count * (2 ** (1 / count) - 1))


LIU_LAYLAND = [1, 0.828427, 0.779763, 0.756828, 0.743492]
LIU_LAYLAND += [0.734772, 0.728627, 0.724062, 0.720538, 0.717735]


def test_liu_layland() -> None:
    """The bound of J. ACM 20(1), 1973 (paper) is no verdict: E' is above it."""
    found = [liu_layland(count) for count in range(1, 11)]
    assert found == pytest.approx(LIU_LAYLAND, abs=1e-6)
    above = tasks_of(*SETS["E'"][0])
    assert load(above) > liu_layland(3)
    assert response(above[2], above[:2]).worst <= 350


def test_more_than_there_is() -> None:
    """A load above one has no response."""
    tasks = tasks_of((6, 10), (5, 10))
    assert response(tasks[1], tasks[:1]).worst is None
    assert done(1, tasks) is None
    assert begun(1, tasks) is None


def test_a_known_phase_helps() -> None:
    """What is released later than at once interrupts less."""
    at_once = Task("interrupt", 4, 10)
    later = Task("interrupt", 4, 10, first=8)
    assert done(6, [at_once]) == 10  # a release just as it is done comes too late
    assert done(6, [later]) == 6
    assert done(9, [later]) == 13


def test_work_that_just_fits() -> None:
    """Work done as an interrupt comes is done; a handler then pending goes first."""
    assert done(6, [Task("interrupt", 4, 10)]) == 10
    assert begun(6, [Task("interrupt", 4, 10)]) == 14


@given(
    st.lists(st.tuples(st.integers(1, 5), st.integers(8, 40)), min_size=1, max_size=3)
)
def test_ticks(rows: list[tuple[int, int]]) -> None:
    """The first response is that of a processor played tick by tick."""
    tasks = tasks_of(*rows)
    if load(tasks) >= 1:
        return
    for at in range(len(tasks)):
        left = [0] * (at + 1)
        for tick in range(1000):
            for index in range(at + 1):
                if tick % rows[index][1] == 0 and (index < at or tick == 0):
                    left[index] += rows[index][0]
            busy = next(index for index, work in enumerate(left) if work)
            left[busy] -= 1
            if left[at] == 0:
                break
        assert response(tasks[at], tasks[:at]).jobs[0] == tick + 1
