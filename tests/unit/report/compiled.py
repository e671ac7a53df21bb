"""Compiling C: what a compiler says of a header, and what a program prints."""

from __future__ import annotations

import shutil
import subprocess
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from pathlib import Path

WARNINGS = ["-Wall", "-Wextra", "-Werror", "-pedantic", "-Wconversion", "-Wundef"]
C99 = ["gcc", "-std=c99", *WARNINGS]
CPP = ["g++", "-std=c++11", *WARNINGS]

needs_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="needs gcc")
needs_gpp = pytest.mark.skipif(shutil.which("g++") is None, reason="needs g++")


def complaint(compiler: list[str], file: Path, *options: str) -> str:
    """What a compiler says of a source file; nothing if it is content."""
    command = [*compiler, "-fsyntax-only", *options, str(file)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode == 0) == (done.stderr == "")
    return done.stderr


def printed(folder: Path, source: str, *options: str) -> list[str]:
    """The lines that a C99 program prints."""
    file, program = folder / "program.c", folder / "program"
    file.write_text(source, encoding="ascii")
    build = [*C99, "-O1", *options, str(file), "-o", str(program)]
    done = subprocess.run(build, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    run = subprocess.run([str(program)], capture_output=True, text=True, check=True)
    return run.stdout.splitlines()


def array(octets: bytes) -> str:
    """Octets as an initialiser; C99 has none for no octets."""
    return "{" + ",".join(str(octet) for octet in octets or b"\0") + "}"
