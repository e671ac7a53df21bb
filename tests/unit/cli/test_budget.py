"""The budget command: exit codes, JSON, solving, and how little it loads."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call, environment, process

from bench.profile import shipped_profiles

if TYPE_CHECKING:
    from pathlib import Path


def figures(*words: str, code: int = 0) -> dict[str, Any]:
    """What it says in JSON."""
    result = call("budget", *words, "--json")
    assert result.exit_code == code, result.stderr
    found = json.loads(result.stdout, parse_constant=pytest.fail)
    assert isinstance(found, dict)
    return found


@pytest.mark.parametrize("name", shipped_profiles())
def test_shipped_profiles_fit(name: str) -> None:
    """Each fits, and says so in its first word and by its exit code."""
    result = call("budget", name)
    assert result.exit_code == 0
    assert result.stdout.startswith("FITS ")
    assert "gives way first" in result.stdout.splitlines()[0]
    assert max(len(line) for line in result.stdout.splitlines()) <= 80


def test_what_does_not_fit() -> None:
    """Exit code 1, what gives way first at the top, every broken line marked."""
    result = call("budget", "causeway", "--set", "output.clock=2 MHz")
    assert result.exit_code == 1
    lines = result.stdout.splitlines()
    assert lines[0].startswith("NO FIT     causeway: marginal band gives way first")
    marked = [line.split("  ")[0].strip() or line for line in lines if "◂" in line]
    assert len(marked) == 3


def test_json() -> None:
    """Strict, with null for what could not be said."""
    found = figures("causeway")
    assert found["fits"] is True
    assert found["tightest"] == "bus load"
    lines = {line["name"]: line for line in found["lines"]}
    slack = lines["FIFO slack"]
    assert (slack["value"], slack["limit"], slack["margin"]) == (1300, 12_499, 11_199)
    assert slack["unit"] == "ns"
    assert lines["stub"]["value"] is None
    assert lines["stub"]["missing"] == "bus.stub, bus.rise_time, bus.velocity"


def test_json_of_what_does_not_fit() -> None:
    """The same with exit code 1."""
    found = figures("causeway", "--set", "bus.baud=12 Mbaud", code=1)
    assert found["fits"] is False
    assert found["tightest"] == "interrupt share"


def test_solve() -> None:
    """The limiting value as a profile writes it, and what limits it."""
    result = call("budget", "causeway", "--solve", "node", "--solve", "output.clock")
    assert result.exit_code == 0
    text = " ".join(result.stdout.split())
    assert "node: highest 4, limited by bus load; now 4" in text
    assert "output.clock: lowest 168210 Hz, limited by shown; now 250 kHz" in text
    found = figures("causeway", "--solve", "output.clock")["solutions"][0]
    assert found["value"] == found["lowest"] == 168_210
    assert found["limited_by"] == "shown"
    assert found["highest_by"] == "marginal band"


def test_solving_what_cannot_help() -> None:
    """No number of nodes mends a clock that is too fast: said, with exit code 1."""
    words = ("causeway", "--set", "output.clock=2 MHz", "--solve", "node")
    result = call("budget", *words)
    assert result.exit_code == 1
    assert "no value of node makes it fit" in result.stdout
    found = figures(*words, code=1)["solutions"][0]
    assert found == {
        "path": "node",
        "value": None,
        "text": None,
        "limited_by": "marginal band",
    }


NO_QUANTITY = (
    "nothing to solve for: packet.framing, expected a number or a quantity, such as "
    "output.clock, or node @ --solve"
)
NO_PATH = (
    "causeway: unknown path: output.clok @ --set output.clok "
    "(did you mean output.clock?)"
)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["causeway", "--solve", "packet.framing"], NO_QUANTITY),
        (["causeway", "--set", "output.clok=1 MHz"], NO_PATH),
    ],
)
def test_faults(words: list[str], message: str) -> None:
    """One line, exit code 2."""
    result = call("budget", *words)
    assert result.exit_code == 2
    assert result.stderr == f"nightbench: {message}\n"


def test_formulas() -> None:
    """Every line has its formula, and its source where there is one."""
    text = " ".join(call("budget", "causeway", "--formulas").stdout.split())
    assert "entry + masked or higher-priority stretch" in text
    assert "(Joseph and Pandya 1986; Audsley et al. 1993)" in text
    assert "(TIA-485-A)" in text


def test_wide_terminals_have_notes(tmp_path: Path) -> None:
    """A file has 80 columns, whatever the environment says of a terminal."""
    result = process("budget", "jetty", cwd=tmp_path, env={"COLUMNS": "140"})
    assert result.returncode == 0
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "\x1b" not in result.stdout


def test_nothing_heavy_is_loaded(tmp_path: Path) -> None:
    """Neither arrays nor kernels nor statistics: it has to be there at once."""
    program = (
        "import sys; sys.argv = ['nightbench', 'budget', 'causeway', '--json', "
        "'--solve', 'node']\n"
        "from bench.cli.face import nightbench\n"
        "try:\n    nightbench.main()\n"
        "except SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'numba', 'scipy', 'numpy', 'rich', 'bench.api', 'bench.kernels'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)"
    )
    result = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert result.stderr.strip() == "[]"
