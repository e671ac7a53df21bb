"""What is done before each point of a sweep: a command of the user's.

It sets a board's clock, or switches its power off and on.  What it prints is of no
interest unless it fails; then its last line is.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
from contextlib import suppress
from threading import Thread
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

_COMMAND_S = 120.0
"""How long a command before a point may take: a board that is slow to start does so in
less."""


def command_before(
    template: str,
    axes: Sequence[str],
    where: str = "--before",
    what: str = "the command before it",
) -> Callable[[Mapping[str, str]], str]:
    """A command that is run before each point.

    `{output.clock}` in it stands for the point's value, which it finds in its
    environment too, as NIGHTBENCH_OUTPUT_CLOCK.  No shell looks at it.

    Args:
        template: The command.
        axes: Names of what is varied.
        where: The option that gave it.
        what: What it is called where it fails.

    Raises:
        UsageError: If it is none, or names what is not varied.
    """
    try:
        words = shlex.split(template)
    except ValueError as error:
        fault = Fault("not a command", shown(template), str(error).lower(), where)
        raise UsageError(fault) from error
    if not words:
        raise UsageError(Fault("no command", expected="one", where=where))
    for name in _braced(template):
        if name not in axes:
            known = ", ".join(f"{{{axis}}}" for axis in axes)
            fault = Fault("not varied", shown(f"{{{name}}}"), known, where)
            raise UsageError(fault)

    def run(point: Mapping[str, str]) -> str:
        return _run(words, point, what)

    return run


def command_beside(
    template: str, where: str, what: str
) -> Callable[[], Callable[[], str | None]]:
    """A command that runs beside what else is done.

    Args:
        template: The command.
        where: The option that gave it.
        what: What it is called where it fails.

    Returns:
        What begins it, and gives what is asked whether it has ended: None until then,
        and then what went wrong, or "".

    Raises:
        UsageError: If it is none.
    """
    run = command_before(template, (), where, what)

    def begin() -> Callable[[], str | None]:
        ended_so: list[str] = []
        beside = Thread(target=lambda: ended_so.append(run({})), daemon=True)
        beside.start()
        return lambda: ended_so[0] if ended_so else None

    return begin


def _braced(text: str) -> list[str]:
    """Names in braces."""
    parts = text.split("{")[1:]
    return [part.partition("}")[0] for part in parts if "}" in part]


def _run(words: Sequence[str], point: Mapping[str, str], what: str) -> str:
    """Run a command for a point; what went wrong, or ""."""
    filled = list(words)
    env = dict(os.environ)
    for name, value in point.items():
        filled = [word.replace(f"{{{name}}}", value) for word in filled]
        key = "".join(sign if sign.isalnum() else "_" for sign in name.upper())
        env[f"NIGHTBENCH_{key}"] = value
    what = f"{what} failed: {shlex.join(filled)}"
    try:
        ran = subprocess.run(  # noqa: S603 (the user's own command)
            filled,
            env=env,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_COMMAND_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return f"{what}: not done after {_COMMAND_S:g} s"
    except OSError as error:
        return f"{what}: {(error.strerror or str(error)).lower()}"
    if ran.returncode == 0:
        return ""
    said = (ran.stderr or ran.stdout).decode(errors="replace").strip().splitlines()
    last = f": {shown(said[-1], 200)}" if said else ""
    return f"{what}: {ended(ran.returncode)}{last}"


def ended(code: int) -> str:
    """How a process ended."""
    if code < 0:
        with suppress(ValueError):
            return f"killed by {signal.Signals(-code).name}"
    return f"exit code {code}"
