"""What commands say: their results, faults a line each, why the first run is slow.

A result goes to standard output, everything else to standard error.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any, Protocol

import click

from bench.base.errors import BenchError, ExitCode, ProfileError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from bench.report.page import Page
    from bench.report.terminal import Out


class Result(Protocol):
    """How a run ended."""

    @property
    def signal(self) -> int | None:
        """The signal that ended it early, or None."""
        ...

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON."""
        ...


def say(text: str) -> None:
    """A line on standard error."""
    click.echo(f"nightbench: {text}", err=True)


def tell(error: BenchError, profile: str = "") -> int:
    """Tell every fault in a line of its own; the exit code.

    Args:
        error: What was raised.
        profile: The profile as it was named; it stands before the first fault, unless
            that names it already.
    """
    lines = list(error.lines)
    if isinstance(error, ProfileError) and profile and profile not in lines[0]:
        lines[0] = f"{profile}: {lines[0]}"
        lines[1:] = [f"  {line}" for line in lines[1:]]
    for line in lines:
        say(line)
    return int(error.exit_code)


def tell_result(
    result: Result, out: Out, page: Callable[[], Page], *, as_json: bool
) -> None:
    """A result on standard output, for a program or for people.

    Args:
        result: How the run ended.
        out: Standard output.
        page: Makes what people read.
        as_json: Whether a program reads it.
    """
    if as_json:
        out.write(json.dumps(result.as_dict(), allow_nan=False) + "\n")
        return
    from bench.report.terminal import show

    if result.signal is not None and out.is_terminal:
        out.write("\n")  # what was typed stands there
    show(page(), out)


def leave_page(run: Path, *, quiet: bool) -> None:
    """Write the page of a run that is over into its folder, or say why it is not.

    The run is over and kept, so its exit code does not change by this.

    Args:
        run: The run's folder.
        quiet: Whether nothing is said of where it is.
    """
    from bench.api_report import write_report

    try:
        path = write_report(run)
    except BenchError as error:
        say(f"no page: {error.fault}")
        return
    if not quiet:
        say(f"its page: {path}")


def settled(out: Out, code: int) -> int:
    """The exit code, once everything has been written; 5 if a pass could not be."""
    out.flush()
    if out.failed is None:
        return code
    say(str(out.failed))
    return code or int(ExitCode.LEDGER)


def put(text: str) -> int:
    """A text on standard output; the exit code."""
    from bench.report.terminal import Out

    out = Out(sys.stdout)
    out.write(text + "\n")
    return settled(out, int(ExitCode.PASS))


def say_if_cold(*, attacks: bool = False) -> None:
    """Say so if kernels have to be compiled first.

    Args:
        attacks: Whether those of the attacks are wanted, too.
    """
    from bench.kernels import jit

    last = "find.find" if attacks else ""
    if not jit.COLD and (not last or jit.is_kept(last)):
        return
    kept = f"once; they are kept in {jit.CACHE}"
    if not jit.KEPT:
        kept = "each time, since no cache folder can be written"
    takes = "two or three minutes" if attacks else "under a minute"
    say(f"compiling kernels takes {takes}, {kept}")
