"""What goes to standard error: faults a line each, and why the first run is slow."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from bench.base.errors import BenchError, ExitCode, ProfileError

if TYPE_CHECKING:
    from bench.report.terminal import Out


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


def say_if_cold() -> None:
    """Say so if kernels have to be compiled first."""
    from bench.kernels import jit

    if not jit.COLD:
        return
    kept = f"once; they are kept in {jit.CACHE}"
    if not jit.KEPT:
        kept = "each time, since no cache folder can be written"
    say(f"compiling kernels takes under a minute, {kept}")
