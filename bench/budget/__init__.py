"""The budget: whether a design fits, in closed form, before anything is built.

Every line has a value, a limit and a margin, and says on request by which formula and
whose.  No line is below what the simulated node (`bench/node/MODEL.md`) shows for the
same profile and traffic that keeps to it; how far above it may be is tested.

Nothing heavy is imported: no arrays, no kernels, no statistics.
"""

from bench.budget.line import Budget, BudgetLine
from bench.budget.solve import Solution, UnsolvableError, solve
from bench.budget.whole import budget

__all__ = ["Budget", "BudgetLine", "Solution", "UnsolvableError", "budget", "solve"]
