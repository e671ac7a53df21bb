"""The bench against its own served node, good and bad: it finds what is wrong."""

from __future__ import annotations

import json

import pytest
from unit.cli.calls import process

from tests.links.test_served_process import SETS, served

PACKETS = 60


def streamed(port, tmp_path, *words):
    """The object of a stream to a served node."""
    ran = process(
        *("stream", "causeway", *SETS, "--set", "observe.by=lines", *words),
        *(
            "--allow-bright",
            "--allow-flashing",
            "--link",
            port,
            "--packets",
            str(PACKETS),
            "--seed",
            "8",
        ),
        *("--set", "traffic.frame_rate=40 Hz", "--json", "--logs", str(tmp_path)),
        cwd=tmp_path,
    )
    assert ran.stdout, ran.stderr
    return json.loads(ran.stdout)


def judged(said, verdict):
    """Whether that is the verdict; a busy machine may make it VOID, and says why."""
    return said["verdict"] == verdict or (said["verdict"] == "VOID" and said["void"])


def test_good_nodes_pass(tmp_path):
    """Every packet is shown."""
    with served("--pty", str(tmp_path / "bus")) as (_, port):
        said = streamed(port, tmp_path)
    assert judged(said, "PASS"), said["reason"]
    assert said["packets"]["shown"] == PACKETS


@pytest.mark.parametrize(
    ("fault", "counts"),
    [
        pytest.param("drop=5", {"lost": 12, "corrupt": 0}, marks=pytest.mark.night),
        ("foreign=200", {"lost": 0, "corrupt": 0}),
    ],
)
def test_bad_nodes_fail(fault, counts, tmp_path):
    """Three of each node's fifteen packets; what is shown for a stranger is stray."""
    foreign = {"share": "10 %", "addresses": "[200]", "lengths": "[32]"}
    words = [f"--set=traffic.foreign.{key}={text}" for key, text in foreign.items()]
    with served("--tcp", "0", "--fault", fault) as (_, port):
        said = streamed(port, tmp_path, *words)
    packets = said["packets"]
    assert {word: packets[word] for word in counts} == counts
    assert (packets["stray"] > 0) == fault.startswith("foreign")
    # A late host may have lost packets; it cannot have made a wrong or a stray one.
    late_host = fault.startswith("drop") and said["verdict"] == "VOID"
    assert said["verdict"] == "FAIL" or late_host, said["reason"]


@pytest.mark.night
def test_an_extra_clock_is_counted(tmp_path):
    """Every burst that was clocked once too often is found."""
    with served("--tcp", "0", "--fault", "extra-clock=5") as (_, port):
        said = streamed(port, tmp_path)
    assert said["verdict"] == "FAIL"
    assert said["bursts"]["wrong_clocks"] == 12
