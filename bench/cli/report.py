"""`nightbench report`: the report of a run, written into its folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.base.errors import ExitCode, Fault, UsageError

if TYPE_CHECKING:
    from bench.api_report import Form


@click.command(short_help="Write the report of a run: a page to decide on.")
@click.argument("run", metavar="RUN", type=click.Path())
@click.option(
    "--format",
    "form",
    type=click.Choice(["page", "md", "junit", "json", "csv", "parquet"]),
    default="page",
    help="page: one HTML file that needs nothing else; it is the default.",
)
@click.option(
    "-o",
    "--output",
    metavar="FILE",
    help="Write it there instead of into the run's folder; - for standard output.",
)
@click.option(
    "--logs",
    metavar="DIR",
    default="logs",
    type=click.Path(),
    help="The folder of all runs; ./logs.",
)
def report(run: str, form: Form, output: str | None, logs: str) -> int:
    """Write the report of a run into its folder.

    RUN is the folder of a run, or its name in the folder of all runs.  The verdict
    comes first, with how sure it is and what nobody could see; then the night, what
    was lost and why, and how to do it again.  Exit code 0 says that it was written,
    whatever the verdict; a ledger of a newer format is refused, and nothing is touched.
    """
    from bench import api_report
    from bench.cli.files import deliver

    folder = _folder(run, logs)
    if output is None:
        click.echo(api_report.write_report(folder, form))
        return int(ExitCode.PASS)
    if form == "parquet" and output == "-":
        fault = Fault("a table that is no text", "parquet", "a file", "-o")
        raise UsageError(fault)
    return deliver(api_report.made(folder, form), output)


def _folder(run: str, logs: str) -> Path:
    """The folder that is meant."""
    given, named = Path(run), Path(logs) / run
    return given if given.exists() or not named.exists() else named
