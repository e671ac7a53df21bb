"""A firmware project of its own in a folder, whose pytest has the plug-in.

The plug-in is found as an installed one is: by an entry point.  A distribution that
says so is made beside the project, whether or not the one that is installed says so.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import bench

ROOT = Path(bench.__file__).parents[1]
EXAMPLE = Path(__file__).parent / "example"
CHILD = ROOT / "tests" / "links" / "child"

ENTRY = "nightbench = bench.pytest_plugin"

METADATA = "Metadata-Version: 2.1\nName: nightbench-plugin\nVersion: 0\n"


class Project:
    """A folder with tests, and how pytest is run in it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "project"
        self.folder.mkdir()
        self._site = folder / "site"
        info = self._site / "nightbench_plugin-0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(METADATA)
        (info / "entry_points.txt").write_text(f"[pytest11]\n{ENTRY}\n")
        # What is installed as files is read through pytest's own loader.
        sources = sorted((ROOT / "bench").rglob("*.py"))
        names = (path.relative_to(ROOT).as_posix() for path in sources)
        (info / "RECORD").write_text("".join(f"{name},,\n" for name in names))

    def write(self, **files: str) -> Project:
        """Put in files, by their names without .py."""
        for name, text in files.items():
            (self.folder / f"{name}.py").write_text(text)
        return self

    def copy(self, *sources: Path) -> Project:
        """Copy in files."""
        for source in sources:
            shutil.copy(source, self.folder / source.name)
        return self

    def change(self, name: str, old: str, new: str) -> Project:
        """Change a text that must be there just once."""
        file = self.folder / name
        text = file.read_text()
        assert text.count(old) == 1, old
        file.write_text(text.replace(old, new))
        return self

    def run(self, *words: str) -> Ran:
        """Run pytest in it, to its end."""
        command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *words]
        paths = os.pathsep.join(map(str, (self._site, ROOT)))
        kept = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST")}
        done = subprocess.run(
            command,
            cwd=self.folder,
            env={**kept, "PYTHONPATH": paths, "COLUMNS": "100"},
            capture_output=True,
            encoding="utf-8",
            timeout=300,
        )
        return Ran(done.returncode, done.stdout + done.stderr)


class Ran:
    """How pytest ended."""

    def __init__(self, code: int, text: str) -> None:
        self.code = code
        self.text = text

    @property
    def counts(self) -> dict[str, int]:
        """How many tests passed, failed and so on."""
        pairs = re.findall(
            r"(\d+) (passed|failed|skipped|errors?|warnings?)", self.text
        )
        return {word.rstrip("s"): int(number) for number, word in pairs}


def example(folder: Path) -> Project:
    """The worked example, with the firmware of the links' tests."""
    project = Project(folder)
    project.copy(*(path for path in EXAMPLE.iterdir() if path.is_file()))
    names = ("node.c", "rearrange.h", "profile.toml")
    return project.copy(*(CHILD / name for name in names))


def declared() -> str:
    """The entry point as pyproject.toml declares it; "" if it does not."""
    text = (ROOT / "pyproject.toml").read_text("utf-8")
    points = tomllib.loads(text)["project"].get("entry-points", {}).get("pytest11", {})
    return "".join(f"{name} = {where}" for name, where in points.items())
