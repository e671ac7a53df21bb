"""`nightbench budget`: whether a design fits, and what gives way first."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from bench.cli.options import profile_argument, set_option
from bench.cli.told import settled

if TYPE_CHECKING:
    from bench.budget import Solution, UnsolvableError
    from bench.cli.options import Session
    from bench.profile import Profile


@click.command(short_help="Say whether a design fits, with every margin.")
@profile_argument()
@set_option
@click.option(
    "--solve",
    "paths",
    multiple=True,
    metavar="PATH",
    help="Find between which values of one quantity it fits, the rest held: "
    "output.clock, bus.baud, output.devices, a cost; node for how many nodes. "
    "Repeatable.",
)
@click.option("--formulas", is_flag=True, help="Every line with its formula.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object instead.")
@click.pass_obj
def budget(
    session: Session,
    /,
    profile: str,
    overrides: tuple[str, ...],
    paths: tuple[str, ...],
    formulas: bool,
    as_json: bool,
) -> int:
    """Say whether a design fits, with the margin of every part.

    PROFILE is the name of a shipped profile or the path of a .toml file.  Nothing is
    sent and nothing simulated: it is all worked out.  A line that lacks an input says
    which.  Exit code 1 where it does not fit.
    """
    # Not by bench.api, which loads what trials need.
    from bench.budget import UnsolvableError, solve
    from bench.budget import budget as work_out
    from bench.profile.load import load_profile
    from bench.report.budget import budget_page
    from bench.report.terminal import Out, show
    from bench.wire.checks import Check

    session.profile = profile

    def load(more: object = ()) -> Profile:
        texts = (*overrides, *more)  # type: ignore[misc]
        return load_profile(profile, texts, lambda name: Check.named(name).size)

    found = work_out(load())
    solutions: list[Solution | UnsolvableError] = []
    for path in paths:
        try:
            solutions.append(solve(load, path))
        except UnsolvableError as none:
            solutions.append(none)
    out = Out(sys.stdout)
    if as_json:
        figures = found.as_dict()
        if solutions:
            figures["solutions"] = [_solved(one) for one in solutions]
        out.write(json.dumps(figures, allow_nan=False) + "\n")
        out.flush()
    else:
        width = out.columns if out.isatty() else out.width
        page = budget_page(found, width, formulas=formulas, solutions=solutions)
        show(page, out)
    return settled(out, 0 if found.fits else 1)


def _solved(found: Solution | UnsolvableError) -> dict[str, Any]:
    """What was solved for, as strict JSON."""
    from bench.budget import Solution

    if isinstance(found, Solution):
        return found.as_dict()
    return {"path": found.path, "value": None, "text": None, "limited_by": found.why}
