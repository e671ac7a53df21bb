"""Calling the command line: in this process, and in one of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner

import bench
from bench.cli.face import nightbench

if TYPE_CHECKING:
    from click.testing import Result

ROOT = Path(bench.__file__).parents[1]


def call(*words: str) -> Result:
    """A call in this process."""
    return CliRunner().invoke(nightbench, list(words))


def command(*words: str) -> list[str]:
    """The words of a process."""
    return [sys.executable, "-m", "bench", *words]


def environment(**changes: str) -> dict[str, str]:
    """The environment of a process; an empty value takes a variable away."""
    kept = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS")}
    merged = kept | {"PYTHONPATH": str(ROOT)} | changes
    return {name: value for name, value in merged.items() if value}


def process(
    *words: str, cwd: Path, env: dict[str, str] | None = None, **more: Any
) -> subprocess.CompletedProcess[str]:
    """A call in a process of its own, to its end."""
    more = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | more
    return subprocess.run(
        command(*words),
        cwd=cwd,
        env=environment(**(env or {})),
        encoding="utf-8",
        timeout=120,
        check=False,
        **more,
    )
