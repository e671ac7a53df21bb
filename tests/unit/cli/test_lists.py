"""Commands that print what there is, and what a shell completes."""

from __future__ import annotations

import json
import re
import subprocess
from typing import TYPE_CHECKING

import jsonschema
import pytest
from unit.cli.calls import call, command, environment, process

from bench import __version__
from bench.profile import load_profile
from bench.traffic.by_channel import BY_CHANNEL
from bench.traffic.patterns import PATTERNS

if TYPE_CHECKING:
    from pathlib import Path


def test_version() -> None:
    """The version is the package's."""
    assert call("--version").stdout == f"nightbench {__version__}\n"


def test_help_names_every_command() -> None:
    """Help tells the commands and the exit codes; every command has help of its own."""
    result = call("--help")
    assert result.exit_code == 0
    assert call().stdout == call("-h").stdout == result.stdout
    for name in ("stream", "check", "schema", "patterns", "completion"):
        assert f"\n  {name} " in result.stdout
        assert call(name, "--help").exit_code == 0
    assert "Exit codes: 0 pass, 1 fail, 2 usage or profile, 3 link, 4 void" in (
        result.stdout
    )


def test_patterns() -> None:
    """Every pattern of the registry has its line, then examples by channel theirs."""
    named, by_channel = call("patterns").stdout.split("\n\n")
    assert [line.split(maxsplit=1) for line in named.splitlines()] == [
        [pattern.name, pattern.line] for pattern in PATTERNS
    ]
    assert [re.split("  +", line) for line in by_channel.splitlines()] == [
        list(example) for example in BY_CHANNEL
    ]


def test_schema() -> None:
    """The schema is one, and the shipped profile is valid by it."""
    schema = json.loads(call("schema").stdout)
    validator = jsonschema.Draft202012Validator
    validator.check_schema(schema)
    validator(schema).validate(load_profile("causeway").dump())


@pytest.mark.parametrize(
    ("shell", "line"),
    [
        ("bash", 'eval "$(_NIGHTBENCH_COMPLETE=bash_source nightbench)"'),
        ("zsh", 'eval "$(_NIGHTBENCH_COMPLETE=zsh_source nightbench)"'),
        ("fish", "_NIGHTBENCH_COMPLETE=fish_source nightbench | source"),
    ],
)
def test_completion_line(
    shell: str, line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The line for a shell, named or in use."""
    named = call("completion", shell).stdout.splitlines()
    assert named[1:] == [line]
    assert named[0].startswith("# ")
    monkeypatch.setenv("SHELL", f"/opt/bin/{shell}")
    assert call("completion").stdout.splitlines() == named


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("nightbench str", ["plain,stream"]),
        ("nightbench stream cau", ["plain,causeway"]),
        ("nightbench check cau", ["plain,causeway"]),
        ("nightbench stream ./my", ["file,./my"]),
        ("nightbench stream --firm", ["plain,--firmware"]),
        ("nightbench stream --line ", ["plain,55h", "plain,00h", "plain,FFh"]),
        ("nightbench stream causeway --set output.cl", ["plain,output.clock="]),
        ("nightbench stream causeway --set node.3.n", ["plain,node.3.name="]),
        ("nightbench stream --set node.3.n", []),
        (
            "nightbench stream none --set bus.ba",
            ["plain,bus.baud=", "plain,bus.baud_offset="],
        ),
        ("nightbench strem cau", []),
    ],
)
def test_completed(tmp_path: Path, typed: str, offered: list[str]) -> None:
    """What a shell is offered after what was typed."""
    env = {
        "_NIGHTBENCH_COMPLETE": "bash_complete",
        "COMP_WORDS": typed,
        "COMP_CWORD": str(len(typed.split(" ")) - 1),
    }
    result = process(cwd=tmp_path, env=env)
    assert result.stderr == ""
    assert result.stdout.split() == offered


HEAVY = ("numpy", "numba", "pydantic", "rich", "scipy", "quantiphy", "llvmlite")


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["stream", "--help"]])
def test_help_is_light(tmp_path: Path, words: list[str]) -> None:
    """Help loads click and nothing heavy."""
    program = (
        "import sys, atexit\n"
        "atexit.register(lambda: print(*sorted(sys.modules), file=sys.stderr))\n"
        f"sys.argv = ['nightbench', *{words}]\n"
        "from bench.cli import main\n"
        "main()\n"
    )
    result = subprocess.run(
        [command()[0], "-c", program],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = set(result.stderr.split())
    assert {"click", "bench.cli"} <= loaded
    assert not loaded & set(HEAVY)


def test_runs_as_a_module(tmp_path: Path) -> None:
    """`python -m bench` is the command, and its exit code is the process's."""
    assert process("--version", cwd=tmp_path).stdout == f"nightbench {__version__}\n"
    wrong = process("strem", cwd=tmp_path)
    assert wrong.returncode == 2
    assert wrong.stderr.startswith("nightbench: no such command: strem")
    assert list(tmp_path.iterdir()) == []
