"""Acceptance from Python: everything that a board has to pass, with one answer.

    from bench.api_accept import accept

    result = accept("causeway", "causeway", seed=7)
    print(result.verdict, result.reason, result.run)

A plan is a list of trials, each of a kind that can be tried by itself; each leaves a
run of its own beside that of the acceptance, which says of every step where that is.
An acceptance that was broken off goes on where it stopped: steps that are done stay
done, and a night that was broken off goes on in its own ledger.

    plans       plans by name or file
    ahead       a plan held against a profile, before anything is tried
    steps       each kind of step, carried out
    acceptance  all of them, in order, with a ledger
"""

from __future__ import annotations

from bench.api_accept.acceptance import AcceptResult, accept
from bench.api_accept.plans import ReadPlan, load_plan, shipped_plans

__all__ = ["AcceptResult", "ReadPlan", "accept", "load_plan", "shipped_plans"]
