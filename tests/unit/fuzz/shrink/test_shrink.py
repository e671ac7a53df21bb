"""Shrinking: what it ends in still fails and is never larger; how a budget ends it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any
from zlib import crc32

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.clock import JumpClock
from bench.base.errors import Fault, LinkError
from bench.fuzz.shrink import Budget, Rate, shrink
from bench.fuzz.shrink.search import Rules

MOST = 2**63 - 1


@dataclass(frozen=True)
class FakeCase:
    """A case of nothing."""

    rows: Any
    seed: int = 7
    number: int = 1
    around: int = 12


def case_of(*rows: tuple[int, int, int]) -> FakeCase:
    """A case with these rows."""
    return FakeCase(np.array(rows, np.int64).reshape(-1, 3))


def rules_of(**more: Any) -> Rules:
    """Rules on a link whose every run is the same."""
    return Rules(**{"clock": JumpClock(), "certain": True, **more})


def rows_of(case: FakeCase) -> list[list[int]]:
    """Its rows as plain numbers."""
    return case.rows.tolist()


def size_of(case: FakeCase) -> tuple[int, int, int]:
    """How large a case is."""
    rows = rows_of(case)
    return len(rows), sum(abs(n) for row in rows for n in row[1:]), case.around


def never(case: FakeCase) -> bool:
    """A device that never fails."""
    return len(case.rows) < 0


def always(case: FakeCase) -> bool:
    """A device that always fails."""
    return len(case.rows) >= 0


def less_around(case: FakeCase) -> list[FakeCase]:
    """Cases with less around them."""
    return [replace(case, around=around) for around in range(case.around)]


def test_one_row_of_many_is_left():
    """Rows that are not needed go, and the numbers of the one that is become least."""
    case = case_of(*[(k, 10 * k, 1000 + k) for k in range(20)])

    def fails(one: FakeCase) -> bool:
        return any(row[0] == 13 and row[2] >= 300 for row in rows_of(one))

    shrunk = shrink(case, fails, rules_of())
    assert rows_of(shrunk.case) == [[13, 0, 300]]
    assert shrunk.why == "nothing smaller fails"
    assert shrunk.rate == Rate(1, 1)


def test_rows_that_need_each_other_stay():
    """Two rows that fail only together, in their order, are both kept."""
    case = case_of(*[(k, k, k) for k in range(1, 17)])

    def fails(one: FakeCase) -> bool:
        kinds = [row[0] for row in rows_of(one)]
        return 3 in kinds and 14 in kinds and kinds.index(3) < kinds.index(14)

    shrunk = shrink(case, fails, rules_of())
    assert rows_of(shrunk.case) == [[3, 0, 0], [14, 0, 0]]


def test_good_traffic_around_goes_last():
    """What is around the rows is made less as long as the case fails."""

    def fails(one: FakeCase) -> bool:
        return one.around >= 5 and len(one.rows) > 0

    shrunk = shrink(case_of((1, 2, 3)), fails, rules_of(), around=less_around)
    assert shrunk.case.around == 5


def test_numbers_go_towards_the_simplest_of_their_kind():
    """A number whose simplest is not nought is brought there, from either side."""
    case = case_of((1, 2, 900), (2, 9, -900))
    shrunk = shrink(
        case,
        lambda one: len(one.rows) == 2,
        rules_of(),
        simplest=lambda kind: (4, -50 * kind),
    )
    assert rows_of(shrunk.case) == [[1, 4, -50], [2, 4, -100]]


def test_bits_that_are_not_needed_are_cleared():
    """A set of bits of which one is needed keeps that one."""
    case = case_of((1, 0, 0b1101_0110))

    def fails(one: FakeCase) -> bool:
        return any(row[2] & 16 for row in rows_of(one))

    shrunk = shrink(case, fails, rules_of())
    assert rows_of(shrunk.case) == [[1, 0, 16]]


rows = st.lists(
    st.tuples(st.integers(0, 5), st.integers(-MOST, MOST), st.integers(-MOST, MOST)),
    min_size=1,
    max_size=12,
)


@given(rows, st.integers(0, 2**31), st.integers(1, 4000))
def test_the_result_fails_and_is_never_larger(given_rows, salt, tries):
    """Whatever fails, and however small the budget, which is not passed."""
    case = case_of(*given_rows)
    whole = case.rows.tobytes()
    count = 0

    def fails(one: FakeCase) -> bool:
        nonlocal count
        count += 1
        same = one.rows.tobytes() == whole
        return same or crc32(one.rows.tobytes(), salt ^ one.around) % 3 == 0

    rules = rules_of(budget=Budget(tries))
    shrunk = shrink(case, fails, rules, around=less_around)
    assert fails(shrunk.case)
    assert size_of(shrunk.case) <= size_of(case)
    assert shrunk.tries == count - 1 <= tries


@given(rows)
def test_the_smallest_of_a_rule_that_is_monotone_is_found(given_rows):
    """Where each number only has to be large enough, nothing smaller is left."""
    kinds = {row[0] for row in given_rows}
    wanted = min(kinds)

    def fails(one: FakeCase) -> bool:
        return any(row[0] == wanted for row in rows_of(one))

    shrunk = shrink(case_of(*given_rows), fails, rules_of())
    assert rows_of(shrunk.case) == [[wanted, 0, 0]]


# --- flaky ----------------------------------------------------------------------------


def flaky(share: float, seed: int = 3) -> Any:
    """A device on which a case with a row 2 fails now and then."""
    draws = np.random.default_rng(seed)

    def fails(one: FakeCase) -> bool:
        return any(row[0] == 2 for row in rows_of(one)) and draws.random() < share

    return fails


@pytest.mark.parametrize("seed", range(8))
def test_a_device_that_fails_now_and_then(seed):
    """The row that matters is found all the same, and its rate is told."""
    case = case_of(*[(k, 5, 5) for k in range(8)])
    shrunk = shrink(case, flaky(0.5, seed), rules_of(certain=False))
    assert rows_of(shrunk.case) == [[2, 0, 0]]
    assert shrunk.rate.tries >= 10
    low, high = shrunk.rate.interval(0.999)
    assert low <= 0.5 <= high


def test_a_rarer_failure_does_not_take_its_place():
    """A smaller case that fails ten times less often is another one, and is left."""
    draws = np.random.default_rng(11)

    def fails(one: FakeCase) -> bool:
        share = 0.9 if len(one.rows) == 2 else 0.09
        return draws.random() < share

    shrunk = shrink(case_of((1, 1, 1), (2, 2, 2)), fails, rules_of(certain=False))
    assert len(shrunk.case.rows) == 2
    assert shrunk.rate.failed / shrunk.rate.tries > 0.5


def test_a_failure_that_does_not_come_again():
    """It is told as such, with how often it was tried, and nothing was made smaller."""
    case = case_of((1, 2, 3))
    shrunk = shrink(case, never, rules_of(certain=False))
    assert shrunk.case is case
    assert (shrunk.why, str(shrunk.rate)) == ("not reproduced", "0 of 20")


# --- ends -----------------------------------------------------------------------------


def test_time_that_is_used_up():
    """The best so far is what is left when the time is over."""
    clock = JumpClock()

    def fails(one: FakeCase) -> bool:
        clock.advance(10**9)
        return any(row[0] == 1 for row in rows_of(one))

    case = case_of(*[(k, 0, 0) for k in range(64)])
    rules = rules_of(clock=clock, budget=Budget(5000, 5 * 10**9))
    shrunk = shrink(case, fails, rules)
    assert shrunk.why == "5 s were allowed"
    assert shrunk.tries == 5
    assert 1 in shrunk.case.rows[:, 0]
    assert len(shrunk.case.rows) < 64
    assert shrunk.spent_ns == 5 * 10**9


def test_a_device_that_dies_over_a_try():
    """The best so far is kept, and the reason is told."""
    count = 0

    def fails(one: FakeCase) -> bool:
        nonlocal count
        count += 1
        if count == 4:
            raise LinkError(Fault("gone"))
        return 1 in one.rows[:, 0]

    case = case_of(*[(k, 0, 0) for k in range(16)])
    shrunk = shrink(case, fails, rules_of())
    assert shrunk.why == "the link was lost"
    assert shrunk.lost == Fault("gone")
    assert len(shrunk.case.rows) < 16


def test_every_better_case_is_kept_at_once():
    """Whoever keeps cases is told of each, and of the last one last."""
    kept = []

    def keep(case: FakeCase, breach: Any) -> None:
        del breach
        kept.append(case)

    case = case_of(*[(k, k, k) for k in range(8)])
    shrunk = shrink(case, lambda one: 5 in one.rows[:, 0], rules_of(keep=keep))
    sizes = [size_of(one) for one in kept]
    assert sizes == sorted(sizes, reverse=True)
    assert kept[-1] is shrunk.case


def test_a_signal_ends_it():
    """A request to stop is obeyed before the next try."""
    shrunk = shrink(case_of((1, 2, 3)), always, rules_of(stop=lambda: 2))
    assert (shrunk.why, shrunk.tries) == ("stopped", 0)


def test_rows_that_are_alike_are_made_simple_together():
    """A device that breaks after sixteen of a kind takes no search for each of them."""

    def fails(one: FakeCase) -> bool:
        return sum(row[0] == 3 and row[1] >= 8 for row in rows_of(one)) >= 16

    case = case_of(*[(3, 1000 + k, 2**40 + k) for k in range(21)])
    shrunk = shrink(case, fails, rules_of())
    assert rows_of(shrunk.case) == [[3, 8, 0]] * 16
    assert shrunk.tries < 120
