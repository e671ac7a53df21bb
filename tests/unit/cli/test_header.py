"""The header command: a file for the firmware's build."""

from __future__ import annotations

import os
import stat
import subprocess
from pathlib import Path

import pytest
from unit.cli.calls import call, process
from unit.report.compiled import C99, complaint, needs_gcc

import bench

needs_posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX files")


def test_on_standard_output() -> None:
    """The header and nothing else; the command that makes it again is at its head."""
    result = call("header", "causeway", "--set", "output.clock=2 MHz")
    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout.startswith("/* causeway: packet format, check, times and")
    again = "/*     nightbench header causeway --set 'output.clock=2 MHz' */\n"
    assert again in result.stdout
    assert "#define CAUSEWAY_LANE_HZ           2000000UL\n" in result.stdout


@needs_gcc
def test_into_a_file(tmp_path: Path) -> None:
    """The same octets, and they compile; an older file of that name gives way."""
    file = tmp_path / "causeway.h"
    file.write_text("old")
    result = call("header", "causeway", "-o", str(file))
    assert (result.exit_code, result.stdout, result.stderr) == (0, "", "")
    assert file.read_text() == call("header", "causeway").stdout
    source = tmp_path / "x.c"
    source.write_text('#include "causeway.h"\nint x = CAUSEWAY_NODES;\n')
    assert complaint(C99, source) == ""
    assert sorted(path.name for path in tmp_path.iterdir()) == ["causeway.h", "x.c"]


def test_the_same_from_python() -> None:
    """Five lines of Python give what the command gives."""
    profile = bench.load_profile("causeway")
    assert bench.header(profile) == call("header", "causeway").stdout
    other = bench.load_profile("causeway", ["output.clock=2 MHz"])
    # That one is no shipped profile any more: it would be a file.
    assert "/*     nightbench header causeway.toml */" in bench.header(other)
    assert "--set" in bench.header(other, command="nightbench header x --set y")


def test_dash_is_standard_output() -> None:
    """A dash for a file is what it is everywhere."""
    assert call("header", "jetty", "-o", "-").stdout == call("header", "jetty").stdout


@pytest.mark.parametrize(
    ("words", "code", "line"),
    [
        (["nope"], 2, "nightbench: unknown profile: nope, expected causeway, "),
        (["causeway", "-o", "no/such/x.h"], 5, "nightbench: result not written: No "),
        (["causeway", "-o", "."], 5, "nightbench: result not written: Is a directory"),
        (["causeway", "-o", "a\0b"], 5, "nightbench: result not written: embedded "),
        (["causeway", "-o"], 2, "nightbench: option '-o' requires an argument"),
        ([], 2, "nightbench: missing argument: PROFILE"),
    ],
)
def test_refused(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    code: int,
    line: str,
) -> None:
    """One line each, and nothing is left behind."""
    monkeypatch.chdir(tmp_path)
    result = call("header", *words)
    assert result.exit_code == code
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith(line)
    assert list(tmp_path.iterdir()) == []


@needs_posix
def test_what_stood_there_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that is full while it is written leaves the old file, and no draft."""
    file = tmp_path / "causeway.h"
    file.write_text("old")

    def full(self: Path, octets: bytes) -> int:
        with self.open("wb") as half:
            half.write(octets[: len(octets) // 2])
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    result = call("header", "causeway", "-o", str(file))
    assert result.exit_code == 5
    assert result.stderr == (
        f"nightbench: result not written: No space left on device @ -o {file}\n"
    )
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]


@needs_posix
def test_links_pipes_and_rights(tmp_path: Path) -> None:
    """A link stays one, a file keeps its rights, a pipe is written into."""
    real, link = tmp_path / "real.h", tmp_path / "link.h"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    assert call("header", "causeway", "-o", str(link)).exit_code == 0
    assert link.is_symlink()
    assert real.read_text().startswith("/* causeway")
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with subprocess.Popen(["cat", str(pipe)], stdout=subprocess.PIPE) as cat:
        assert call("header", "causeway", "-o", str(pipe)).exit_code == 0
        assert cat.communicate()[0] == real.read_bytes()
    assert stat.S_ISFIFO(pipe.stat().st_mode)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a full device")
def test_devices(tmp_path: Path) -> None:
    """A device is written into and stays one; a full one is told of."""
    done = process("header", "causeway", "-o", "/dev/null", cwd=tmp_path)
    assert done.returncode == 0
    assert Path("/dev/null").is_char_device()
    done = process("header", "causeway", "-o", "/dev/full", cwd=tmp_path)
    assert done.returncode == 5
    assert done.stderr.count("\n") == 1
    with Path("/dev/full").open("w") as full:
        done = process("header", "causeway", cwd=tmp_path, stdout=full)
    assert done.returncode == 5
