"""The group of all commands, and the one place that turns exceptions into exit codes.

What a user can mend is one line a fault on standard error, without a traceback.  What
nobody foresaw is a bug of the bench: it is called one, with the folder that holds its
traceback.
"""

from __future__ import annotations

import os
import sys
import traceback
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, NoReturn

import click

from bench import __version__
from bench.base.errors import BenchError, Fault, UsageError
from bench.cli.accept import accept
from bench.cli.budget import budget
from bench.cli.check import check
from bench.cli.compare import compare
from bench.cli.drive import drive
from bench.cli.edge import edge
from bench.cli.fuzz import fuzz
from bench.cli.header import header
from bench.cli.listen import listen
from bench.cli.lists import completion, patterns, schema
from bench.cli.options import Session
from bench.cli.ports import ports
from bench.cli.qualify import qualify
from bench.cli.replay import replay
from bench.cli.report import report
from bench.cli.serve import serve
from bench.cli.sheet import sheet
from bench.cli.shelf import runs
from bench.cli.soak import soak
from bench.cli.stream import stream
from bench.cli.sweep import sweep
from bench.cli.told import say, tell
from bench.cli.upset import upset
from bench.cli.vectors import vectors
from bench.cli.zoo import zoo

if TYPE_CHECKING:
    from pathlib import Path

BUG = 70
"""Exit code of a failure that nobody foresaw (EX_SOFTWARE of BSD's sysexits)."""

TRACEBACK = "NIGHTBENCH_TRACEBACK"
"""Set to anything, it puts the traceback of a bug on standard error."""


class Face(click.Group):
    """A group whose errors are told in the bench's own words."""

    def main(self, *args: Any, **extra: Any) -> NoReturn:
        """See the base class; always ends in `SystemExit`."""
        session = extra.setdefault("obj", None) or Session()
        extra.update(obj=session, prog_name="nightbench", standalone_mode=False)
        try:
            code = super().main(*args, **extra)
        except BenchError as error:
            code = tell(error, session.profile)
        except click.ClickException as error:
            code = tell(UsageError(_fault(error)))
        except Exception as error:
            code = _bug(error, session.run)
        sys.exit(code if isinstance(code, int) else 0)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """See the base class; a name that is no command is told as a fault."""
        unknown = args and args[0] not in self.commands
        if unknown and not ctx.resilient_parsing and not args[0].startswith("-"):
            known = self.list_commands(ctx)
            near = get_close_matches(args[0], known, n=1)
            mend = f"did you mean {near[0]}?" if near else ""
            fault = Fault("no such command", args[0], ", ".join(known), mend=mend)
            raise UsageError(fault)
        return super().resolve_command(ctx, args)

    def format_commands(
        self, ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        """See the base class; commands stand in sections, not by the alphabet."""
        widest = max(len(name) for name in self.list_commands(ctx))
        room = formatter.width - widest - _INDENT
        for title, commands in SECTIONS.items():
            rows = [
                (str(command.name).ljust(widest), command.get_short_help_str(room))
                for command in commands
            ]
            with formatter.section(title):
                formatter.write_dl(rows)


SECTIONS: dict[str, tuple[click.Command, ...]] = {
    "Try boards": (stream, drive, soak, accept, sweep, edge, upset, fuzz, zoo, replay),
    "Without a board": (
        budget,
        check,
        serve,
        header,
        vectors,
        sheet,
        patterns,
        schema,
    ),
    "The bus and the rig": (listen, qualify, ports),
    "What was found": (report, compare, runs),
    "This command line": (completion,),
}
"""Every command, under what the help lists it."""

_INDENT = 6
"""Columns around the names of commands."""

_CODES = """\b
Exit codes: 0 pass, 1 fail, 2 usage or profile, 3 link, 4 void, 5 ledger,
70 a bug of the bench, 128 + n stopped by signal n.
"""  # the sign at its start keeps the lines as they are


@click.group(
    cls=Face,
    epilog=_CODES,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="%(prog)s %(version)s")
@click.pass_context
def nightbench(ctx: click.Context) -> None:
    """Test bench for splitters: node boards on a multi-drop RS-485 bus."""
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


for _commands in SECTIONS.values():
    for _command in _commands:
        nightbench.add_command(_command)


# --- told -----------------------------------------------------------------------------


def _fault(error: click.ClickException) -> Fault:
    """A fault of the command line in the house form."""
    see = ""
    if isinstance(error, click.UsageError) and error.ctx is not None:
        see = f"see {error.ctx.command_path} --help"
    if isinstance(error, click.NoSuchOption):
        near = error.possibilities or []
        mend = f"did you mean {near[0]}?" if near else see
        return Fault("no such option", error.option_name, mend=mend)
    if isinstance(error, click.MissingParameter) and error.param is not None:
        return Fault("missing argument", error.param.human_readable_name, mend=see)
    text, where = error.format_message(), ""
    if isinstance(error, click.BadParameter) and error.param is not None:
        text, where = error.message, error.param.get_error_hint(error.ctx).strip("'")
    text = text.splitlines()[0].rstrip(".")
    return Fault(text[:1].lower() + text[1:], where=where, mend=see)


def _bug(error: Exception, run: Path | None) -> int:
    """Tell of a failure that nobody foresaw; its traceback is kept somewhere."""
    what = f"{type(error).__name__}: {error}".replace("\n", " ")
    report = run / "report.txt" if run is not None else None
    kept = report is not None and report.exists()
    where = f"its traceback is in {report}" if kept else "its traceback follows"
    say(f"a bug of the bench: {what}; {where}")
    if not kept or os.environ.get(TRACEBACK):
        click.echo("".join(traceback.format_exception(error)), err=True, nl=False)
    return BUG
