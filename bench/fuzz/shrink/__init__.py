"""The smallest case that still breaks a node.

    shrunk = shrink(case, fails, budget=Budget(), clock=clock)
    shrunk.case, shrunk.rate, shrunk.why

Rows are left out first, in growing runs (delta debugging: Zeller and Hildebrandt, IEEE
Transactions on Software Engineering 28 (2002) 183), then each row's numbers go towards
their simplest, then the good traffic around it; and again, until nothing smaller fails
or a budget is used up.  The best so far is kept whatever happens.

A device may break only now and then.  How often is measured first, and a smaller case
is taken or left by Wald's sequential test with a stated confidence, so that a case that
hardly ever fails does not take the place of one that often does.

    search   tries cases, remembers them, keeps the best
    steps    which smaller ones are tried
    rate     how often a case fails, and when enough is known
"""

from __future__ import annotations

from bench.fuzz.shrink.rate import Rate
from bench.fuzz.shrink.search import Budget, Shrunk
from bench.fuzz.shrink.steps import shrink

__all__ = ["Budget", "Rate", "Shrunk", "shrink"]
