"""Commands about what was found: runs, compare."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import call
from unit.cli.test_stream import strictly
from unit.ledger.test_index import PASS, made

if TYPE_CHECKING:
    from pathlib import Path

PACKETS = {
    "offered": 1000,
    "shown": 1000,
    "lost": 0,
    "corrupt": 0,
    "stray": 0,
    "late": 0,
    "repeated": 0,
    "out_of_order": 0,
}
STREAM = PASS | {
    "packets": PACKETS,
    "bursts": {"count": 1000, "wrong_clocks": 0},
    "causes": [],
}


def bad(lost: int) -> dict[str, Any]:
    """The verdict of a stream that lost packets."""
    cause = {"what": "lost", "cause": "an overrun", "count": lost, "first": {}}
    packets = PACKETS | {"lost": lost, "shown": 1000 - lost}
    said = {"verdict": "FAIL", "reason": f"{lost} of 1000 packets not shown"}
    return STREAM | said | {"packets": packets, "causes": [cause]}


# --- runs -----------------------------------------------------------------------------


def test_list(tmp_path: Path) -> None:
    """A line a run, the newest first; what is wrong with one is said."""
    made(tmp_path, "20261124T000000Z", "soak", verdict=None)
    made(tmp_path, "20261125T000000Z", verdict=bad(3))
    torn = made(tmp_path, "20261123T000000Z")
    (torn / "verdict.json").write_bytes(b"{")
    result = call("runs", "--logs", str(tmp_path))
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert [line.split()[:2] for line in lines[1:4]] == [
        ["20261125T000000Z-stream", "FAIL"],
        ["20261124T000000Z-soak", "unfinished"],
        ["20261123T000000Z-stream", "damaged"],
    ]
    assert "verdict damaged" in result.stdout
    assert "3 runs" in result.stdout
    said = strictly(call("runs", "--logs", str(tmp_path), "--json").stdout)
    assert [one["verdict"] for one in said["runs"]] == ["FAIL", None, None]
    assert not said["done"]


def test_empty(tmp_path: Path) -> None:
    """No runs is no fault; no folder is one, told in a line."""
    result = call("runs", "--logs", str(tmp_path))
    assert result.exit_code == 0
    assert f"none under {tmp_path}" in " ".join(result.stdout.split())
    gone = call("runs", "--logs", str(tmp_path / "no"))
    assert gone.exit_code == 5
    assert gone.stderr.startswith("nightbench: ledger cannot be read: No such file")


def test_prune_asks_for_yes(tmp_path: Path) -> None:
    """Without --yes it is only said what would go; with it, that goes and no more."""
    old = made(tmp_path, "20200101T000000Z")
    new = made(tmp_path, "29991231T000000Z")
    words = ["runs", "--logs", str(tmp_path), "--prune", "--older", "30d"]
    result = call(*words)
    assert result.exit_code == 0
    assert "to be deleted" in result.stdout
    assert str(old) in result.stdout
    assert str(new) not in result.stdout
    assert "--yes does it" in result.stdout
    assert old.is_dir()
    said = strictly(call(*words, "--yes", "--json").stdout)
    assert (said["done"], said["deleted"]) == (True, [str(old)])
    assert list(tmp_path.iterdir()) == [new]


def test_prune_by_size(tmp_path: Path) -> None:
    """Larger ones go by their size."""
    small = made(tmp_path, "20200101T000000Z")
    large = made(tmp_path, "20200102T000000Z")
    (large / "points.csv").write_bytes(bytes(3_000_000))
    call("runs", "--logs", str(tmp_path), "--prune", "--larger", "2MB", "--yes")
    assert list(tmp_path.iterdir()) == [small]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            ["--prune"],
            "nothing says which, expected --older, --larger, or both @ --prune",
        ),
        (["--yes"], "nothing to say yes to: --yes (--prune --yes)"),
        (
            ["--larger", "2"],
            (
                "no unit: 2, expected a size @ --larger (write it with a unit, e.g. "
                "'2 GB')"
            ),
        ),
        (
            ["--larger", "2gb"],
            (
                "prefix or unit in the wrong case: 2gb, expected a size in B, kB, MB, "
                "GB, TB @ --larger (did you mean 2 GB?)"
            ),
        ),
    ],
)
def test_wrong_words(tmp_path: Path, words: list[str], message: str) -> None:
    """What cannot be meant is told in one line, and nothing is touched."""
    folder = made(tmp_path, "20200101T000000Z")
    result = call("runs", "--logs", str(tmp_path), *words)
    assert result.exit_code == 2
    assert result.stderr == f"nightbench: {message}\n"
    assert folder.is_dir()


# --- compare --------------------------------------------------------------------------


def test_not_worse(tmp_path: Path) -> None:
    """Two clean runs: exit code 0, and what that rests on."""
    runs = [str(made(tmp_path, f"2026112{k}T000000Z", verdict=STREAM)) for k in (1, 2)]
    result = call("compare", *runs)
    assert result.exit_code == 0
    assert result.stdout.startswith("NOT WORSE ")
    assert "changed" not in result.stdout
    quiet = call("compare", *runs, "--quiet").stdout
    assert len(quiet) < len(result.stdout) / 2


def test_worse(tmp_path: Path) -> None:
    """Losses where there were none: exit code 1; a changed profile comes first."""
    before = made(tmp_path, "20261121T000000Z", verdict=STREAM)
    after = made(tmp_path, "20261122T000000Z", verdict=bad(30))
    (after / "profile.toml").write_text('name = "causeway"\nbaud = 3\n')
    result = call("compare", str(before), str(after))
    assert result.exit_code == 1
    first, *_ = result.stdout.splitlines()
    assert first.split() == [
        "changed",
        "profile",
        "baud:",
        "not",
        "stated,",
        "then",
        "3",
    ]
    assert "WORSE" in result.stdout
    assert "new: lost, an overrun: 30, before 0" in " ".join(result.stdout.split())
    said = strictly(call("compare", str(before), str(after), "--json").stdout)
    assert (said["outcome"], said["exit_code"]) == ("worse", 1)
    assert any("resolved profile was changed" in note for note in said["notes"])
    assert said["before"]["run"] == str(before)


def test_cannot_say(tmp_path: Path) -> None:
    """A void run: exit code 4."""
    void = STREAM | {"verdict": "VOID", "reason": "the queue ran dry"}
    runs = [
        str(made(tmp_path, f"2026112{k}T000000Z", verdict=verdict))
        for k, verdict in ((1, STREAM), (2, void))
    ]
    result = call("compare", *runs)
    assert result.exit_code == 4
    assert result.stdout.startswith("CANNOT SAY")
    assert "the second run is void: the queue ran dry" in " ".join(
        result.stdout.split()
    )


def test_what_cannot_be_compared(tmp_path: Path) -> None:
    """No run, one without a verdict, one of another kind: one line each."""
    whole = str(made(tmp_path, "20261121T000000Z", verdict=STREAM))
    going = str(made(tmp_path, "20261122T000000Z", verdict=None))
    chart = str(made(tmp_path, "20261123T000000Z", "sweep"))
    for other, code, message in (
        (str(tmp_path), 5, "not the folder of a run, expected run.json in it"),
        (going, 5, "no verdict to compare, expected a run that came to its end"),
        (chart, 2, "nothing to compare: sweep, expected two runs that count packets"),
    ):
        result = call("compare", whole, other)
        assert result.exit_code == code
        assert result.stderr.startswith(f"nightbench: {message}")
        assert result.stderr.count("\n") == 1


@pytest.mark.parametrize("word", ["0", "1", "100 %", "2", "high"])
def test_no_confidence(tmp_path: Path, word: str) -> None:
    """What is no confidence is told in one line."""
    whole = str(made(tmp_path, "20261121T000000Z", verdict=STREAM))
    result = call("compare", whole, whole, "--confidence", word)
    assert result.exit_code == 2
    assert "@ --confidence" in result.stderr


def test_confidence_and_tolerance(tmp_path: Path) -> None:
    """Both are kept with what was made of them."""
    whole = str(made(tmp_path, "20261121T000000Z", verdict=STREAM))
    words = ["--confidence", "99 %", "--tolerance", "0.05", "--json"]
    said = json.loads(call("compare", whole, whole, *words).stdout)
    assert (said["confidence"], said["tolerance"]) == (0.99, 0.05)
