"""Which smaller cases are tried, in which order.

Each step takes what is best by then.  A step that found something smaller makes it
worth while to go through all of them once more: a number that became simpler may make
a row needless.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.fuzz.shrink.search import (
    Rules,
    Search,
    Shrunk,
    searched,
    with_rows,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from bench.fuzz.cases import Case
    from bench.fuzz.shrink.search import Fails

    Around = Callable[[Case], Iterable[Case]]
    Simplest = Callable[[int], tuple[int, int]]

_NUMBERS = (1, 2)
"""Columns of a row that are numbers; the first is its kind."""


def nought(kind: int) -> tuple[int, int]:  # noqa: ARG001
    """The simplest place and value of any kind, where nobody knows better."""
    return 0, 0


def nothing_around(case: Case) -> Iterable[Case]:  # noqa: ARG001
    """No smaller surroundings, where nobody knows any."""
    return ()


def shrink(
    case: Case,
    fails: Fails,
    rules: Rules,
    *,
    simplest: Simplest = nought,
    around: Around = nothing_around,
) -> Shrunk:
    """The smallest case that fails as this one does.

    Args:
        case: The case.
        fails: What a case breaks, a `Breach` or True, if it fails in the same way;
            else None or False.
        rules: How the search goes; its budget above all.
        simplest: Of a kind of row, the place and the value that are simplest.
        around: Cases with less good traffic around the same rows, the least first.
    """

    def work(search: Search) -> None:
        again = True
        while again:
            again = _fewer_rows(search)
            again |= _simpler_numbers(search, simplest)
            again |= _less_around(search, around)

    return searched(Search(case, fails, rules), work)


# --- rows -----------------------------------------------------------------------------


def _fewer_rows(search: Search) -> bool:
    """Leave out rows, in runs that begin with half of them."""
    count = len(search.best.rows)
    run, changed = count, False
    while run:
        while search.first_of(_without(search.best, run)):
            changed = True
        run = min(run - 1, (run + 1) // 2) if run > 1 else 0
    return changed


def _without(case: Case, run: int) -> Iterator[Case]:
    """The case without each run of so many rows, the last ones first."""
    rows = case.rows.tolist()
    if run > len(rows):
        return
    starts = [*range(len(rows) - run, 0, -run), 0]
    for start in starts:
        yield with_rows(case, rows[:start] + rows[start + run :])


# --- numbers --------------------------------------------------------------------------


def _simpler_numbers(search: Search, simplest: Simplest) -> bool:
    """Bring each number of each row towards its simplest."""
    changed = False
    for row in range(len(search.best.rows)):
        for column in _NUMBERS:
            kind = int(search.best.rows[row][0])
            goal = simplest(kind)[column - 1]
            changed |= _nearer(search, (row, column), goal)
            changed |= _fewer_bits(search, (row, column), goal)
        changed |= _all_alike(search, row)
    return changed


def _all_alike(search: Search, row: int) -> bool:
    """Give all rows of a kind the numbers of one of them that has become simpler.

    A device may break after the same thing has come many times: then one row is made
    simple, and not each of them.
    """
    rows = search.best.rows.tolist()
    model = rows[row]
    alike = [model if one[0] == model[0] else one for one in rows]
    nearer = all(
        abs(mine) <= abs(other)
        for one in rows
        if one[0] == model[0]
        for mine, other in zip(model, one, strict=True)
    )
    if alike == rows or not nearer:
        return False
    return search.consider(with_rows(search.best, alike))


def _nearer(search: Search, place: tuple[int, int], goal: int) -> bool:
    """Halve the way that a number has to its goal, as long as the case fails.

    What fails need not fail all the way; where it does not, this finds one border.
    """
    at = _number(search.best, place)
    if at == goal:
        return False
    if search.consider(_with(search.best, place, goal)):
        return True
    sign = 1 if at > goal else -1
    works, fails_at = 0, abs(at - goal)
    began = fails_at
    while fails_at - works > 1:
        middle = (works + fails_at) // 2
        if search.consider(_with(search.best, place, goal + sign * middle)):
            fails_at = middle
        else:
            works = middle
    return fails_at < began


def _fewer_bits(search: Search, place: tuple[int, int], goal: int) -> bool:
    """Clear bits of a number that is a set of them, the highest first."""
    if goal != 0 or _number(search.best, place) <= 1:
        return False
    changed = False
    for bit in range(_number(search.best, place).bit_length() - 1, -1, -1):
        at = _number(search.best, place)
        if at >> bit & 1 and at != 1 << bit:
            changed |= search.consider(_with(search.best, place, at ^ (1 << bit)))
    return changed


def _number(case: Case, place: tuple[int, int]) -> int:
    return int(case.rows[place])


def _with(case: Case, place: tuple[int, int], number: int) -> Case:
    """A case in which one number is another."""
    rows = case.rows.tolist()
    rows[place[0]][place[1]] = number
    return with_rows(case, rows)


# --- around ---------------------------------------------------------------------------


def _less_around(search: Search, around: Around) -> bool:
    """Leave out good traffic around the rows."""
    changed = False
    while search.first_of(around(search.best)):
        changed = True
    return changed
