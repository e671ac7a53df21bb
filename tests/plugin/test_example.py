"""The worked example: a firmware project that finds the bugs that are planted in it."""

from __future__ import annotations

import re
import shutil
from itertools import takewhile

import pytest
from plugin.project import example

pytestmark = pytest.mark.skipif(
    shutil.which("gcc") is None, reason="gcc is not installed"
)

SAME = ("-q", "--hypothesis-seed=1")
"""The same traffic each time."""

REARRANGE = {
    "bit order": ("7 - clock % 8", "clock % 8"),
    "last lane": ("lane < BOLLARDS_LANES", "lane + 1 < BOLLARDS_LANES"),
    "lanes swapped": ("& 1U) << lane", "& 1U) << (1 - lane)"),
    "last clock": ("(uint8_t)word;", "(uint8_t)(clock < 31 ? word : 0U);"),
}
"""Mistakes of the loop that makes port words."""

NODE = {
    "check ignored": ("!sound ?", "!sound && payload > 8 ?", "check-"),
    "marker": (
        "        have = 0; /* what fails here may yet be a marker's first octet */",
        "        return;",
        "marker-torn",
    ),
    "broadcast": (
        "address == node || address == BOLLARDS_BROADCAST_0",
        "address == node",
        "good",
    ),
    "length unchecked": (
        " || payload > BOLLARDS_PAYLOAD_MOST_OCTETS",
        " || payload > 250",
        "good",  # what came before it has swallowed it
    ),
}
"""Mistakes of the rest, and what shows it."""


def test_good_firmware_passes(tmp_path):
    """No vector and no traffic breaks the firmware as it is."""
    ran = example(tmp_path).run(*SAME, "test_rearrange.py", "test_node.py")
    assert ran.counts == {"passed": 3}, ran.text
    assert ran.code == 0


@pytest.mark.parametrize("bug", REARRANGE)
def test_vectors_find_a_bug_of_the_loop(tmp_path, bug):
    """The test of the loop fails, and names vectors."""
    project = example(tmp_path).change("rearrange.h", *REARRANGE[bug])
    ran = project.run(*SAME, "-vvv", "test_rearrange.py")
    assert ran.code == 1, ran.text
    assert ran.counts == {"failed": 1}
    named = {
        "bit order": "lane-0-bit-0: bit 0 of lane 0 alone",
        "last lane": "lane-1: lane 1 alone",
        "lanes swapped": "lane-0: lane 0 alone",
        "last clock": "lane-0-bit-31: bit 31 of lane 0 alone",
    }
    assert named[bug] in ran.text


def test_traffic_finds_a_bug_of_the_loop(tmp_path):
    """It is shrunk to one good packet with one bit set."""
    project = example(tmp_path).change("rearrange.h", *REARRANGE["bit order"])
    ran = project.run(*SAME, "test_node.py", "-k", "has_to_show")
    assert ran.counts == {"failed": 1}, ran.text
    told = ran.text[ran.text.index("traffic for bollards") :].splitlines()[1]
    what, _, octets = told.removeprefix("E").strip().partition(": ")
    assert what == "good"
    payload = bytes.fromhex(octets)[4:12]
    assert sum(octet.bit_count() for octet in payload) == 1


@pytest.mark.parametrize(
    "bug",
    [
        "check ignored",
        "length unchecked",
        pytest.param("marker", marks=pytest.mark.night),
        pytest.param("broadcast", marks=pytest.mark.night),
    ],
)
def test_traffic_finds_a_bug_of_the_node(tmp_path, bug):
    """It is shrunk to a piece or two of the kind that shows it."""
    old, new, shows = NODE[bug]
    project = example(tmp_path).change("node.c", old, new)
    ran = project.run(*SAME, "test_node.py", "-k", "has_to_show")
    assert ran.counts == {"failed": 1}, ran.text
    told = ran.text[ran.text.index("traffic for bollards") :].splitlines()[1:]
    pieces = list(takewhile(re.compile(r"E {11}\S+: ").match, told))
    assert 1 <= len(pieces) <= 2, ran.text
    assert shows in "".join(pieces)
