"""`nightbench fuzz`, `zoo` and `replay`: what they say, and their exit codes."""

from __future__ import annotations

import json

import pytest
from unit.cli.calls import call

from bench.fuzz.zoo.boards import SHORT

SETS = [word for text in SHORT["causeway"] for word in ("--set", text)]


def fuzz(tmp_path, *words):
    """A campaign of one process."""
    where = ("--logs", str(tmp_path / "logs"), "--corpus", str(tmp_path / "corpus"))
    return call("fuzz", "causeway", *SETS, "--jobs", "1", *where, *words)


def test_a_good_node(tmp_path):
    """PASS, what was tried, and how to do it again."""
    result = fuzz(tmp_path, "--cases", "64", "--seed", "7")
    assert result.exit_code == 0, result.output
    # Progress may stand before it, where the first cases take long.
    assert "PASS          nothing wrong in 64 cases of " in result.stdout
    assert "attacked      causeway with " in result.stdout
    assert "--cases 64 --corpus" in result.stdout
    assert "--seed 7" in result.stdout


def test_as_json(tmp_path):
    """One object, with every attack and no finding."""
    result = fuzz(tmp_path, "--cases", "512", "--seed", "7", "--json", "--quiet")
    told = json.loads(result.stdout)
    assert told["fuzz"]["cases"] == 512
    assert told["fuzz"]["findings"] == []
    assert told["verdict"] == "PASS"
    names = {row["attack"] for row in told["fuzz"]["attacks"]}
    assert {"runt", "check-value", "noise-before"} <= names


def test_gone_on_with(tmp_path):
    """A folder that is no campaign is told in a line."""
    result = call("fuzz", "--resume", str(tmp_path))
    assert result.exit_code == 5
    assert result.stderr.startswith("nightbench: not the folder of a run")


CAMPAIGN = "a campaign that is gone on with has its profile, attacks and seed"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["fuzz"], "missing argument: PROFILE (or --resume RUN)"),
        (["fuzz", "causeway", "--resume", "x"], f"{CAMPAIGN} @ --resume"),
        (
            ["fuzz", "causeway", "--revive", "true"],
            "simulated nodes need no reviving: true @ --revive",
        ),
        (
            ["replay", "none.case"],
            "case cannot be read: no such file or directory @ none.case",
        ),
        (
            ["replay", "none.case", "--anomaly", "2"],
            "not the folder of a run: none.case @ --anomaly",
        ),
    ],
)
def test_what_cannot_be_obeyed(words, told):
    """One line, exit code 2."""
    result = call(*words)
    assert result.exit_code == 2
    assert result.stderr.splitlines()[-1] == f"nightbench: {told}"


def test_an_attack_that_is_misspelt():
    """The nearest one is named."""
    result = call("fuzz", "causeway", "--attack", "rnut")
    assert result.exit_code == 2
    assert result.stderr.startswith("nightbench: no such attack: rnut, expected calm, ")
    assert result.stderr.endswith("@ --attack (did you mean runt?)\n")


def test_on_hardware_it_needs_its_flag(tmp_path):
    """A link that may reach lights is refused, and what to do first is said."""
    (tmp_path / "x").write_text("")
    for words in (["fuzz", "causeway"], ["replay", str(tmp_path / "x")]):
        result = call(*words, "--link", "/dev/none", "--logs", str(tmp_path / "logs"))
        assert result.exit_code == 2
        (line,) = result.stderr.splitlines()[-1:]
        assert "this trial is meant to make boards fail, and lights may be" in line
        assert "a dummy load" in line
        assert "limit the current of the supply" in line
        assert "--allow-failing" in line
    assert not (tmp_path / "logs").exists()


def test_help_lists_every_attack():
    """By name, with a sentence."""
    text = call("fuzz", "--help").stdout
    assert "header-inside-header" in text
    assert "a packet whose check is wrong" in text


def test_a_bad_node_as_a_note():
    """Named, it is told as a note; the exit code is 0, since it was found."""
    result = call("zoo", "--node", "length-wraps", "--jobs", "1", "--quiet")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("length-wraps  ")
    assert "  send        length-wrapping: a packet whose length is right" in (
        result.stdout
    )
    assert "PASS          1 of 1 bad nodes found, 0 of 0 good" in result.stdout


def test_the_zoo_as_json():
    """A list, with what was found by what, after how many cases, and how small."""
    words = ("--node", "check-ignored", "--jobs", "1", "--json", "--quiet")
    (told,) = json.loads(call("zoo", *words).stdout)
    assert told["name"] == "check-ignored"
    assert told["found"] is True
    assert told["by"].startswith("check-")
    assert told["cases"] > 0
    assert told["smallest"] == told["known"] == 1


def test_a_bad_node_that_is_not_found():
    """It is named, and the exit code is 1."""
    words = ("--node", "length-wraps", "--cases", "5", "--jobs", "1", "--quiet")
    result = call("zoo", *words)
    assert result.exit_code == 1
    assert "not found     length-wraps" in result.stdout
