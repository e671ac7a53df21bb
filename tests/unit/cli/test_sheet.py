"""The sheet command: a page to print."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from unit.cli.calls import call, process

import bench
from bench.base.errors import UsageError
from bench.base.units import format_ns, format_share
from bench.profile import shipped_profiles

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("name", shipped_profiles())
def test_text(name: str) -> None:
    """Plain text of 80 columns for every shipped profile, with figures of `check`."""
    result = call("sheet", name)
    assert result.exit_code == 0
    assert result.stderr == ""
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    figures = json.loads(call("check", name, "--json").stdout)
    assert figures["digest"] in result.stdout
    assert f"{format_ns(figures['line']['frame_ns'])}: one packet " in result.stdout
    assert f"{format_share(figures['line']['own_load'])} of the" in result.stdout
    assert f"\nnightbench sheet {name}\n" in result.stdout


@pytest.mark.parametrize(
    ("file", "form", "html"),
    [
        ("a.html", None, True),
        ("a.HTM", None, True),
        ("a.txt", None, False),
        ("a", None, False),
        ("a.html", "text", False),
        ("a.txt", "html", True),
    ],
)
def test_form(tmp_path: Path, file: str, form: str | None, html: bool) -> None:
    """The file's ending chooses, unless an option does."""
    words = [] if form is None else ["--format", form]
    result = call("sheet", "jetty", "-o", str(tmp_path / file), *words)
    assert (result.exit_code, result.stdout) == (0, "")
    text = (tmp_path / file).read_text()
    assert text.startswith("<!DOCTYPE html>" if html else "jetty\n")
    said = "nightbench sheet jetty" + " --format html" * html
    assert said in text


def test_the_same_from_python() -> None:
    """Python gives what the command gives."""
    profile = bench.load_profile("slipway")
    assert bench.sheet(profile) == call("sheet", "slipway").stdout
    assert bench.sheet(profile, "html").startswith("<!DOCTYPE html>")
    with pytest.raises(UsageError, match="no such form: pdf, expected text or html"):
        bench.sheet(profile, "pdf")  # type: ignore[arg-type]


def test_what_is_set_counts() -> None:
    """Values that are set are on the sheet, and in the command that makes it again."""
    text = call("sheet", "causeway", "--set", "bus.baud=2 Mbaud").stdout
    assert "character             5 us\n" in text
    assert "\nnightbench sheet causeway --set 'bus.baud=2 Mbaud'\n" in text


def test_refused() -> None:
    """One line for a form that there is not, stated or by the file's ending."""
    for words in (["--format", "pdf"], ["-o", "sheet.pdf"]):
        result = call("sheet", "causeway", *words)
        assert result.exit_code == 2
        assert result.stderr.count("\n") == 1


def test_ascii_only(tmp_path: Path) -> None:
    """Where only ASCII can be written nothing is lost, names of other scripts apart."""
    words = ["sheet", "causeway", "--set", "node.0.name=Süd"]
    done = process(*words, cwd=tmp_path, env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0
    assert "S\\xfcd" in done.stdout
    page = process(
        *words, "--format", "html", cwd=tmp_path, env={"PYTHONIOENCODING": "ascii"}
    )
    assert "S&#252;d" in page.stdout
