"""`nightbench compare`: is the second of two runs worse than the first?"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.told import settled

if TYPE_CHECKING:
    ShareType = click.ParamType[float]
else:
    ShareType = click.ParamType  # which older releases cannot subscript


class Share(ShareType):
    """A share, with or without its sign."""

    name = "share"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """See the base class."""
        del ctx
        from bench.base.units import SHARE

        where = param.opts[0] if param else ""
        if isinstance(value, float):
            return value
        try:
            number: object = float(value)
        except ValueError:
            number = value
        return float(SHARE.parse(number, where))


@click.command(short_help="Say whether a second run is worse than a first one.")
@click.argument("before", metavar="RUN")
@click.argument("after", metavar="RUN")
@click.option(
    "--confidence",
    type=Share(),
    metavar="SHARE",
    help="Of intervals, and against false alarms; 95 %.",
)
@click.option(
    "--tolerance",
    type=Share(),
    metavar="SHARE",
    help="By which a latency may be longer; 1 %.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.option("--quiet", is_flag=True, help="The outcome alone.")
def compare(before: str, after: str, **options: Any) -> int:
    """Say whether the second RUN is worse than the first.

    Changes of profile, rig and device come first. Counts are compared by an exact test,
    latencies by the bootstrap. The exit code is 0 for not worse, 1 for worse, and 4
    where one of the runs says nothing.
    """
    from bench.api_runs import compare as compared
    from bench.report.compare import compare_brief, compare_page
    from bench.report.terminal import Out, show

    given = {
        word: options[word]
        for word in ("confidence", "tolerance")
        if options[word] is not None
    }
    if not 0 < given.get("confidence", 0.5) < 1:
        text = f"{100 * given['confidence']:g} %"
        expected = "more than 0 % and less than 100 %"
        raise UsageError(Fault("out of range", text, expected, "--confidence"))
    result = compared(before, after, **given)
    out = Out(sys.stdout)
    if options["as_json"]:
        out.write(json.dumps(result.as_dict(), allow_nan=False) + "\n")
    else:
        made = compare_brief if options["quiet"] else compare_page
        show(made(result.as_dict(), out.width), out)
    return settled(out, result.exit_code)
