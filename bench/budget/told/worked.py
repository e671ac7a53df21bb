"""One kind of node, worked out: what its lines are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.budget.board.latency import course
from bench.budget.board.output import stage_of
from bench.budget.board.receiver import polled, reception

if TYPE_CHECKING:
    from bench.budget.board.board import Board
    from bench.budget.board.latency import Course
    from bench.budget.board.output import Stage
    from bench.budget.board.receiver import Reception

MODEL = "bench/node/MODEL.md"
"""Where the meaning of the simulated node stands, which bounds are never below."""

RTA = "Joseph and Pandya 1986; Audsley et al. 1993"
"""Who published response-time analysis."""


@dataclass(frozen=True, slots=True)
class Worked:
    """One kind of node, worked out."""

    board: Board
    reception: Reception
    stage: Stage
    course: Course


def worked(board: Board) -> Worked:
    """Work one kind of node out."""
    received = polled(board) if board.polled else reception(board)
    stage = stage_of(board, received.longest_ns)
    return Worked(board, received, stage, course(board, received, stage))
