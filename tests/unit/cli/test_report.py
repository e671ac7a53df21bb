"""`nightbench report` as a user meets it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from page.invented import night_ledger
from unit.cli.calls import call

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The ledger of a quarter of an hour."""
    root = tmp_path_factory.mktemp("runs") / "logs"
    return night_ledger(root, hours=0.25, anomalies=5)


def test_it_is_written_into_the_folder(folder: Path) -> None:
    """The page by default, other forms by name; the path is said."""
    pytest.importorskip("plotly", reason="plotly is not installed")
    for form, name in (("page", "report.html"), ("junit", "report.xml")):
        done = call("report", str(folder), "--format", form)
        assert (done.exit_code, done.stderr) == (0, "")
        assert done.stdout == f"{folder / name}\n"
        assert (folder / name).stat().st_size > 1000


def test_a_run_is_named_as_it_is_listed(folder: Path) -> None:
    """The name of a folder under that of all runs will do."""
    done = call("report", folder.name, "--logs", str(folder.parent), "--format", "md")
    assert (done.exit_code, done.stderr) == (0, "")
    assert (folder / "report.md").read_text("utf-8").startswith("# FAIL")


def test_it_can_go_elsewhere(folder: Path, tmp_path: Path) -> None:
    """Into a file that is named, or on standard output; the folder stays as it was."""
    before = sorted(path.name for path in folder.iterdir())
    done = call("report", str(folder), "--format", "json", "-o", "-")
    assert json.loads(done.stdout)["verdict"]["verdict"] == "FAIL"
    file = tmp_path / "table.csv"
    done = call("report", str(folder), "--format", "csv", "-o", str(file))
    assert (done.exit_code, done.stdout) == (0, "")
    assert file.read_bytes().startswith(b"interval,")
    assert sorted(path.name for path in folder.iterdir()) == before


def test_what_is_no_run_is_said_in_one_line(folder: Path, tmp_path: Path) -> None:
    """No run, a ledger of a newer format, a table on standard output."""
    done = call("report", str(tmp_path))
    assert done.exit_code == 5
    expected = f"not the folder of a run, expected run.json in it @ {tmp_path}"
    assert done.stderr == f"nightbench: {expected}\n"
    newer = tmp_path / "newer"
    newer.mkdir()
    (newer / "run.json").write_text('{"ledger": 7}')
    done = call("report", str(newer))
    assert (done.exit_code, done.stdout) == (5, "")
    assert "ledger of a newer format: 7, expected at most 1" in done.stderr
    assert "nothing was touched" in done.stderr
    assert [path.name for path in newer.iterdir()] == ["run.json"]
    done = call("report", str(folder), "--format", "parquet", "-o", "-")
    assert done.exit_code == 2
    assert "a table that is no text: parquet, expected a file @ -o" in done.stderr
