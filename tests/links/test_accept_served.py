"""An acceptance against served nodes: good ones pass, one that is bad does not."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from unit.cli.calls import process

from tests.links.test_served_process import SETS, served

if TYPE_CHECKING:
    from pathlib import Path

PLAN = """
plan = 1
name = "served"

[[step]]
name = "packets"
kind = "stream"
packets = 40

[[step]]
name = "more packets"
kind = "stream"
set = ["traffic.foreign.addresses=[200]", "traffic.foreign.lengths=[32]"]
packets = 40
"""


def accepted(port: str, tmp_path: Path) -> dict[str, Any]:
    """The object of an acceptance of served nodes."""
    path = tmp_path / "served.toml"
    path.write_text(PLAN)
    sets = ("--set", "observe.by=lines", "--set", "traffic.frame_rate=40 Hz")
    ran = process(
        *("accept", "causeway", str(path), *SETS, *sets),
        *("--set", "traffic.foreign.share=10 %", "--dut", "serial=3"),
        *("--allow-bright", "--allow-flashing", "--link", port, "--seed", "8"),
        *("--json", "--logs", str(tmp_path / "logs")),
        cwd=tmp_path,
    )
    assert ran.stdout, ran.stderr
    said: dict[str, Any] = json.loads(ran.stdout)
    return said


@pytest.mark.parametrize("fault", ["", "foreign=200"])
def test_served(fault: str, tmp_path: Path) -> None:
    """A stray burst fails the step in which it was; a busy host may void the others."""
    words = ("--fault", fault) if fault else ()
    with served("--tcp", "0", *words) as (_, port):
        said = accepted(port, tmp_path)
    steps = {step["name"]: step["verdict"] for step in said["accept"]["steps"]}
    if fault:
        assert (said["verdict"], steps["more packets"]) == ("FAIL", "FAIL")
        assert "showed what was not for the node" in said["reason"]
    else:
        assert said["verdict"] in ("PASS", "VOID"), said["reason"]
        assert "FAIL" not in steps.values()
    # Whoever accepts a real board has to say which one it is.
    assert said["notes"] == [
        "the board is not named: state its serial and its firmware"
    ]
