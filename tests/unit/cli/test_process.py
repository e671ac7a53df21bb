"""The command in a process of its own: files, pipes, terminals and odd machines."""

from __future__ import annotations

import json
import os
import re
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from unit.cli.calls import command, environment, process

if TYPE_CHECKING:
    from collections.abc import Iterator

pexpect = pytest.importorskip("pexpect", reason="needs a terminal to run in")

needs_posix = pytest.mark.skipif(os.name != "posix", reason="needs POSIX files")

SHORT = ["stream", "causeway", "--packets", "40", "--seed", "3"]


def progress_lines(text: str) -> list[str]:
    """Plain lines of progress."""
    return re.findall(r"^ *\d+ %  .*real time; .*$", text, re.MULTILINE)


def is_plain(octets: bytes) -> bool:
    """Neither escape codes nor carriage returns."""
    return b"\x1b" not in octets and b"\r" not in octets


@pytest.fixture
def far(tmp_path: Path) -> Iterator[Path]:
    """A symlink with a path of 120 characters, to a folder for logs."""
    real = tmp_path / "real"
    real.mkdir()
    stem = str(tmp_path / "n")
    link = Path(stem + "x" * (120 - len(stem)))
    link.symlink_to(real)
    assert len(str(link)) == 120
    yield link
    assert real.is_dir()


# --- files and pipes ------------------------------------------------------------------


@pytest.fixture(scope="module")
def times_real(tmp_path_factory: pytest.TempPathFactory) -> float:
    """How many times faster than a real line this machine is."""
    words = ["stream", "causeway", "--json", "--for", "10min"]
    said = json.loads(process(*words, cwd=tmp_path_factory.mktemp("trial")).stdout)
    return float(said["trial_ns"] / said["spent_ns"])


@needs_posix
@pytest.mark.parametrize(
    ("where", "wall_s"), [("file", 5.5), ("pipe", 0.5), ("dumb", 0.5)]
)
def test_streamed_into(
    tmp_path: Path, far: Path, times_real: float, where: str, wall_s: float
) -> None:
    """Streaming into what is no terminal: plain, slow, whole, and the summary once."""
    seconds = int(wall_s * times_real)
    words = ["stream", "causeway", "--for", f"{seconds}s", "--logs", str(far)]
    if where == "dumb":
        text, code = on_terminal(words, tmp_path, TERM="dumb")
        octets = text.replace("\r\n", "\n").encode()  # the terminal's own line ends
    elif where == "pipe":
        done = process(*words, cwd=tmp_path)
        octets, code = done.stdout.encode(), done.returncode
    else:
        with (tmp_path / "out").open("wb") as out:
            code = process(*words, cwd=tmp_path, stdout=out).returncode
        octets = (tmp_path / "out").read_bytes()
    text = octets.decode()
    assert code == 0
    assert is_plain(octets)
    assert 1 <= len(progress_lines(text)) <= 6
    assert len(re.findall(r"^PASS  ", text, re.MULTILINE)) == 1
    (run,) = far.iterdir()
    assert f"ledger          {run}\n" in text
    assert text.endswith((run / "report.txt").read_text())


def test_reader_goes_away(tmp_path: Path) -> None:
    """A reader that goes away costs nothing: quiet, and the ledger is complete."""
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as gone:
        done = process(*SHORT, cwd=tmp_path, stdout=gone)
    assert done.returncode == 0
    assert done.stderr == "" or "compiling" in done.stderr
    (run,) = (tmp_path / "logs").iterdir()
    assert json.loads((run / "verdict.json").read_text())["verdict"] == "PASS"


@pytest.mark.parametrize("words", [["--help"], ["schema"], ["check", "causeway"]])
def test_first_line_of(tmp_path: Path, words: list[str]) -> None:
    """The first line of anything, as `| head -1` takes it, without any trouble."""
    with subprocess.Popen(
        command(*words),
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        assert running.stdout is not None
        assert running.stderr is not None
        assert running.stdout.readline()
        running.stdout.close()
        assert running.stderr.read() == ""


@pytest.mark.skipif(
    not Path("/dev/full").exists(), reason="needs a device that is full"
)
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_output_is_full(tmp_path: Path, more: list[str]) -> None:
    """A result that could not be written is no success; the ledger has it."""
    with Path("/dev/full").open("w") as full:
        done = process(*SHORT, *more, cwd=tmp_path, stdout=full)
    assert done.returncode == 5
    lines = [line for line in done.stderr.splitlines() if "result" in line]
    assert lines == [
        "nightbench: result not written: No space left on device @ standard output"
    ]
    (run,) = (tmp_path / "logs").iterdir()
    assert (run / "verdict.json").exists()


def test_json_into_a_file(tmp_path: Path) -> None:
    """One object and nothing else, whatever the terminal."""
    done = process(*SHORT, "--json", cwd=tmp_path, env={"TERM": "xterm-256color"})
    assert json.loads(done.stdout)["packets"]["shown"] == 40
    assert is_plain(done.stdout.encode())
    assert done.stdout.count("\n") == 1
    assert len(progress_lines(done.stderr)) == 1


def test_ascii_only(tmp_path: Path) -> None:
    """Where only ASCII can be written, everything is still said."""
    words = [*SHORT, "--set", "output.clock=2 MHz"]
    done = process(*words, cwd=tmp_path, env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 1
    assert done.stdout.isascii()
    assert "x real time" in done.stdout
    assert re.search(r"^  seen +\|+ \.\.\. \|+!  3841  1 too many$", done.stdout, re.M)
    assert re.search(r"^  all nodes +40 +0 +0 +40< ", done.stdout, re.M)


# --- terminals ------------------------------------------------------------------------


def on_terminal(
    words: list[str], cwd: Path, size: tuple[int, int] = (50, 80), **env: str
) -> tuple[str, int]:
    """What a command writes on a terminal of (lines, columns), and its exit code."""
    child = pexpect.spawn(
        command()[0],
        command(*words)[1:],
        cwd=str(cwd),
        env=environment(**{"TERM": "xterm-256color"} | env),
        dimensions=size,
        encoding="utf-8",
        timeout=120,
    )
    child.expect(pexpect.EOF)
    child.close()
    assert child.signalstatus is None
    return child.before, child.exitstatus


def shown(text: str) -> list[str]:
    """What is left on a terminal's lines, without codes."""
    return re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]", "", text).replace("\r", "").split("\n")


@needs_posix
@pytest.mark.parametrize("columns", [0, 60, 80, 140])
def test_on_a_terminal(tmp_path: Path, columns: int) -> None:
    """In colour, and within the width; a terminal of no width is one that says nothing.

    What is to be copied is never cut and never wrapped by us.
    """
    logs = tmp_path / ("deep" * 20)
    words = [*SHORT, "--logs", str(logs)]
    text, code = on_terminal(words, tmp_path, (50, columns))
    assert code == 0
    assert "\x1b[" in text
    lines = shown(text)
    page = lines[next(k for k, line in enumerate(lines) if line.startswith("PASS")) :]
    (run,) = logs.iterdir()
    assert f"ledger          {run}" in page
    widest = max(
        len(line)
        for line in page
        if not line.startswith(("ledger", "again", "packets"))
    )
    table = 66  # the columns of counts and the longest name
    assert widest <= max(table, min(columns or 80, 100))
    assert sum(line.startswith("PASS") for line in lines) == 1


@needs_posix
def test_no_colour(tmp_path: Path) -> None:
    """NO_COLOR takes the colours; verdict and marks are words and signs anyway."""
    words = [*SHORT, "--set", "output.clock=2 MHz"]
    text, code = on_terminal(words, tmp_path, NO_COLOR="1")
    assert code == 1
    assert not re.search(r"\x1b\[[0-9;]*[34]8;", text)
    assert not re.search(r"\x1b\[(?:\d+;)*(3[0-7]|4[0-7]|9[0-7])m", text)
    assert "FAIL" in text
    assert "40◂" in text


@needs_posix
def test_drawn_over_and_gone(tmp_path: Path) -> None:
    """On a terminal progress is drawn over, and the cursor is back at the end."""
    words = ["stream", "causeway", "--for", "10min", "--logs", str(tmp_path)]
    text, code = on_terminal(words, tmp_path)
    assert code == 0
    assert "× real time" in text
    assert progress_lines(text) == []
    assert text.rfind("\x1b[?25h") > text.rfind("\x1b[?25l") >= 0
    last_drawn, page = text.rsplit("PASS", 1)
    assert last_drawn.count("\x1b[2K") >= 2  # both of its lines were wiped
    assert "packets shown, none lost" not in page


# --- odd machines ---------------------------------------------------------------------


@needs_posix
def test_no_home(tmp_path: Path) -> None:
    """A read-only install without a home compiles for itself, and says that it does."""
    blocked = tmp_path / "file"
    blocked.write_text("")
    env = {
        "HOME": "/nonexistent",
        "NIGHTBENCH_CACHE": "",
        "XDG_CACHE_HOME": str(blocked / "cache"),
        "TMPDIR": str(tmp_path),
    }
    done = process("check", "causeway", cwd=tmp_path, env=env)
    assert done.returncode == 0
    assert done.stderr == (
        "nightbench: compiling kernels takes under a minute, each time, since no cache "
        "folder can be written\n"
    )
    assert list(tmp_path.iterdir()) == [blocked]
