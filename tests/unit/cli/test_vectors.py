"""The vectors command: files for a firmware's unit tests."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest
from unit.cli.calls import call, process

from bench.api_vectors import vectors
from bench.profile import load_profile

if TYPE_CHECKING:
    from pathlib import Path

SET = "output.devices=1"


def test_on_standard_output() -> None:
    """The C header and nothing else; the command that makes it again at its head."""
    result = call("vectors", "causeway", "--set", SET)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.startswith("/* causeway: golden vectors of node slack-water")
    assert f"/*     nightbench vectors causeway --set {SET} */\n" in result.stdout
    assert result.stdout.endswith("#endif\n")


@pytest.mark.parametrize("ending", ["h", "json", "npy"])
def test_the_ending_chooses_the_form(tmp_path: Path, ending: str) -> None:
    """A file of each form, as Python makes it; the form may be stated as well."""
    form = "c" if ending == "h" else ending
    file, other = tmp_path / f"v.{ending}", tmp_path / "other"
    words = ("vectors", "causeway", "--set", SET)
    assert call(*words, "-o", str(file)).exit_code == 0
    assert call(*words, "--form", form, "-o", str(other)).exit_code == 0
    assert file.read_bytes() == other.read_bytes()
    command = f"nightbench vectors causeway --set {SET}"
    if form != "c":
        command += f" --form {form}"
    profile = load_profile("causeway", [SET])
    assert file.read_bytes() == vectors(profile, form, command=command)


def test_node_seed_and_number(tmp_path: Path) -> None:
    """Each option is obeyed, and named in the command that makes it again."""
    file = tmp_path / "v.json"
    result = call(
        *("vectors", "dmx512", "--node", "toll-house", "--random", "2"),
        *("--seed", "5", "-o", str(file)),
    )
    assert result.exit_code == 0
    content = json.loads(file.read_text())
    assert content["made_by"] == (
        "nightbench vectors dmx512 --form json --node toll-house --random 2 --seed 5"
    )
    assert (content["node"], content["seed"]) == ("toll-house", 5)
    names = [one["name"] for one in content["vectors"]]
    assert "random-1" in names
    assert "random-2" not in names
    # Its slots begin with 345: one start code, and 344 octets of others before.
    assert {one["at"] for one in content["vectors"]} == {345}


def test_the_array_is_read_without_pickle(tmp_path: Path) -> None:
    """Numpy reads it as it comes."""
    file = tmp_path / "v.npy"
    assert call("vectors", "modbus-rtu", "-o", str(file)).exit_code == 0
    rows = np.load(file, allow_pickle=False)
    assert rows["words"].shape == (len(rows), 128)


@pytest.mark.parametrize(
    ("words", "code", "line"),
    [
        (
            ["causeway", "--form", "npy"],
            2,
            (
                "an array needs a file, expected -o FILE @ --form npy "
                "(standard output is for text)"
            ),
        ),
        (
            ["causeway", "-o", "v.txt"],
            2,
            (
                "no form of that ending: v.txt, expected .h, .hpp, .json, .npy @ -o "
                "(or state --form)"
            ),
        ),
        (
            ["causeway", "--node", "tide"],
            2,
            (
                "no such node: tide, expected slack-water or ebb or flood-gate or "
                "harbour-end @ --node"
            ),
        ),
        (["causeway", "--random", "1001"], 2, "out of range: 1001, expected a whole "),
        (["causeway", "-o", "no/such/v.h"], 5, "result not written: No such file"),
        ([], 2, "missing argument: PROFILE (see nightbench vectors --help)"),
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
    result = call("vectors", *words)
    assert result.exit_code == code
    assert result.stderr.count("\n") == 1
    assert result.stderr.startswith(f"nightbench: {line}")
    assert list(tmp_path.iterdir()) == []


def test_the_same_in_another_process(tmp_path: Path) -> None:
    """Whatever the order of hashes is in it, the octets are the same."""
    words = ("vectors", "slipway", "--set", "output.devices=2")
    words += ("--set", "packet.fields.2.octets=48")
    made = [
        process(*words, cwd=tmp_path, env={"PYTHONHASHSEED": seed}).stdout
        for seed in ("1", "2")
    ]
    assert made[0] == made[1] == call(*words).stdout
    assert len(made[0]) > 10_000


def test_no_compiler_is_needed(tmp_path: Path) -> None:
    """Vectors are made without loading numba."""
    code = (
        "import sys; from bench.api_vectors import vectors; "
        "import bench; vectors(bench.load_profile('modbus-rtu')); "
        "assert 'numba' not in sys.modules"
    )
    import subprocess
    import sys

    from unit.cli.calls import environment

    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
