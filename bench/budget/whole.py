"""The whole budget of a profile, line by line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.budget.board.board import boards_of
from bench.budget.board.memory import memory_lines
from bench.budget.bus.cable import cable_lines, level_line
from bench.budget.bus.clocks import adapter_line, clock_lines
from bench.budget.bus.errors import error_lines
from bench.budget.bus.frames import bus_lines, skew_line
from bench.budget.bus.light import light_lines
from bench.budget.bus.pace import paces_of
from bench.budget.line import Budget, BudgetLine, of_group
from bench.budget.told.foreground import foreground_lines, latency_lines
from bench.budget.told.output import output_lines
from bench.budget.told.receiver import receiver_lines
from bench.budget.told.worked import worked
from bench.profile.alike import alike

if TYPE_CHECKING:
    from collections.abc import Sequence
    from fractions import Fraction

    from bench.budget.told.worked import Worked
    from bench.profile.model import Node, Profile


def budget(profile: Profile) -> Budget:
    """What a profile comes to, and whether it fits.

    Args:
        profile: The profile; whether it could be sent or simulated does not matter.

    Raises:
        BenchError: If its check's name is unknown.
    """
    groups, paces = alike(profile.node), paces_of(profile)
    nodes = [worked(board) for board in boards_of(profile, groups, paces.nodes)]
    worst, best = _extremes(nodes)
    lines = [
        *bus_lines(profile),
        skew_line(profile, paces, worst, best),
        *error_lines(profile),
        *_by_group(profile, groups, nodes),
        adapter_line(profile),
        *cable_lines(profile),
        *light_lines(profile, groups),
    ]
    return Budget(profile.name, profile.summary, tuple(lines))


def node_lines(profile: Profile, node: Worked) -> list[BudgetLine]:
    """Every line of a kind of node, but for clocks, memory and light."""
    return [
        *receiver_lines(node),
        *foreground_lines(node),
        *output_lines(node),
        *latency_lines(profile, node),
    ]


def _by_group(
    profile: Profile, groups: Sequence[Sequence[Node]], nodes: Sequence[Worked]
) -> list[BudgetLine]:
    """The lines of every kind of node, one kind after another."""
    lines: list[BudgetLine] = []
    for group, node in zip(groups, nodes, strict=True):
        of_kind = [
            *node_lines(profile, node),
            *memory_lines(node.board),
            *clock_lines(profile, group[0]),
            level_line(group[0].output),
        ]
        names = [one.name for one in group]
        lines += of_group(of_kind, names, alone=len(groups) == 1)
    return lines


def _extremes(nodes: Sequence[Worked]) -> tuple[Fraction | None, Fraction | None]:
    """The greatest and the least latency of any node; None where one has no bound."""
    worst = [node.course.shown_ns for node in nodes]
    best = [node.course.best_ns for node in nodes]
    known = (
        [ns for ns in worst if ns is not None],
        [ns for ns in best if ns is not None],
    )
    if len(known[0]) < len(worst) or len(known[1]) < len(best):
        return None, None
    return max(known[0]), min(known[1])
