"""`nightbench runs`: what is under `logs/`, and old runs put away."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import ExitCode, Fault, UsageError
from bench.cli.options import Duration
from bench.cli.told import settled

if TYPE_CHECKING:
    SizeType = click.ParamType[int]
else:
    SizeType = click.ParamType  # which older releases cannot subscript


class Size(SizeType):
    """A size with its unit, in octets."""

    name = "size"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """See the base class."""
        del ctx
        from bench.base.units import SIZE

        if isinstance(value, int):
            return value
        return int(SIZE.parse(value, param.opts[0] if param else ""))


@click.command(short_help="List the runs that are kept, and put old ones away.")
@click.option(
    "--logs",
    metavar="DIR",
    default="logs",
    type=click.Path(),
    help="The folder of all runs; ./logs.",
)
@click.option(
    "--older",
    "older_ns",
    type=Duration(),
    metavar="TIME",
    help="Only runs that were last written longer ago: 30d.",
)
@click.option(
    "--larger", type=Size(), metavar="SIZE", help="Only runs that are larger: 2GB."
)
@click.option(
    "--whole", is_flag=True, help="Read all of each run, to see whether it is whole."
)
@click.option(
    "--prune",
    is_flag=True,
    help="Say which of those would be deleted; runs that may still go on are not.",
)
@click.option("--yes", is_flag=True, help="With --prune: delete them.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
def runs(**options: Any) -> int:
    """List the runs under logs, the newest first, with what each came to."""
    from bench.api_runs import prune
    from bench.api_runs import runs as listed
    from bench.report.runs import runs_page
    from bench.report.terminal import Out, show

    which = {word: options[word] for word in ("older_ns", "larger")}
    if options["yes"] and not options["prune"]:
        raise UsageError(Fault("nothing to say yes to", "--yes", mend="--prune --yes"))
    if options["prune"]:
        if not any(value is not None for value in which.values()):
            expected = "--older, --larger, or both"
            raise UsageError(Fault("nothing says which", "", expected, "--prune"))
        shelf = prune(options["logs"], really=options["yes"], **which)
    else:
        shelf = listed(options["logs"], every_line=options["whole"], **which)
    out = Out(sys.stdout)
    if options["as_json"]:
        out.write(json.dumps(shelf.as_dict(), allow_nan=False) + "\n")
    else:
        show(runs_page(shelf.as_dict(), out.width), out)
    return settled(out, int(ExitCode.PASS))
