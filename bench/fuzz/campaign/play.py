"""One block of cases on boards, case by case; its record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import LinkError
from bench.fuzz.campaign.finding import attacks_of, case_dict
from bench.fuzz.campaign.tally import record_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.fuzz.attacks import Attacks
    from bench.fuzz.campaign.boards import Boards
    from bench.fuzz.campaign.job import FuzzJob

ALIVE = "alive"
"""What a case breaks after which a board is dead."""


def on_boards(
    job: FuzzJob,
    attacks: Attacks,
    boards: Boards,
    span: tuple[int, int],
    stop: Callable[[], int | None],
) -> dict[str, Any]:
    """Try cases one after another, as far as that can be done.

    Args:
        job: What they are cases of.
        attacks: Who draws them.
        boards: On what.
        span: Number of the first, and how many.
        stop: The number of a signal that came, or None.

    Returns:
        The record.  `numbers`: how many cases there were, those that the link cannot
        send included.  `ended`: why it ended before its last case; then `last` is the
        case that was last.
    """
    first, count = span
    tried = []
    ended: dict[str, Any] = {"ended": None, "last": None, "link": False}
    done = trial_ns = characters = 0
    for case in attacks.draw(job.seed, first, count, only=job.only):
        if stop() is not None:
            break
        names, found = attacks_of(case), []
        began, began_ns = boards.at
        before = boards.left_out
        try:
            found = [breach.oracle for breach in boards.tried(case)]
        except LinkError as error:
            dead = boards.is_dead
            found = [ALIVE] if dead else []
            ended = {
                "ended": str(error.fault),
                "last": {**case_dict(case), "attacks": list(names)},
                "link": not dead,
            }
        done += 1
        if boards.left_out > before:
            continue
        place, at_ns = boards.at
        trial_ns += max(0, at_ns - began_ns)
        characters += max(0, place - began)
        tried.append((names, found, case_dict(case)))
        if ended["ended"] is not None:
            break
    known = {"first": first, "numbers": done}
    known |= {"trial_ns": trial_ns, "characters": characters}
    return record_of(tried, **known, **ended)
