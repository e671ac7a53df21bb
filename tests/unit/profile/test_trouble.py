"""Files that parse but mean something else, as people meet them.

Sources: uiri/toml#169, BurntSushi/toml#326, TOML 1.0.0 (integers, floats, keys).  The
files' keys stand for ours: `baud` for bus.baud, `address` for a node's.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from unit.profile.edits import GONE, ROOT, changed, faults

from bench.base.errors import ProfileError
from bench.profile import parse_profile, profile_of
from bench.profile.tables import read_toml

CASES = ROOT / "tests" / "cases"


def text(case: str) -> str:
    """The text of a case file, its marks and line ends as they are."""
    return (CASES / case).read_bytes().decode()


def ours(case: str) -> dict[str, Any]:
    """What a case file sets, at our paths; what it does not set is taken out."""
    tables = read_toml(text(case), case)
    changes: dict[str, Any] = {"bus.baud": tables.pop("baud")}
    if "address" not in tables:
        changes["node.0.address"] = GONE
    return changes | {f"node.0.{key}": value for key, value in tables.items()}


def test_numbers_of_every_base() -> None:
    """Underscores, bases and exponents mean what TOML says, with their types."""
    tables = read_toml(text("A26_ok.toml"), "A26_ok.toml")
    assert tables == {
        "baud": 4_000_000,
        "address": 31,
        "mask": 240,
        "gap_us": 12.5,
        "foreign": [1, 15, 250],
        "bus": {"load": 0.1},
    }
    assert type(tables["baud"]) is int
    changes = {
        "bus.baud": tables["baud"],
        "node.0.address": tables["address"],
        "output.latch_gap": f"{tables['gap_us']} us",
        "output.longest_pause": f"{tables['gap_us']} us",
        "packet.fields.1.mask": tables["mask"],
        "node": [{"name": "lone", "address": tables["address"]}],
        "traffic.foreign.addresses": tables["foreign"][:2],
        "traffic.foreign.share": tables["bus"]["load"],
    }
    profile = profile_of(changed(changes))
    assert profile.bus.baud == 4_000_000
    assert profile.node[0].address == 31
    assert profile.packet.fields[1].mask == 240  # type: ignore[union-attr]
    assert profile.node[0].output.latch_gap_ns == 12_500
    assert profile.traffic.foreign.addresses == (1, 15)
    assert profile.traffic.foreign.share == 0.1


def test_float_baud() -> None:
    """4e6 is a float, and a baud rate is refused as one, by key and type."""
    assert faults(ours("A26_float_baud.toml")) == [
        (
            'not a whole number: 4000000.0, expected a baud rate such as "4 Mbaud" or '
            "a whole number @ bus.baud"
        )
    ]


def test_mark_and_line_ends() -> None:
    """A byte-order mark and CR LF are no part of the text."""
    assert text("A26_bom_crlf.toml").startswith("\ufeff")
    changes = ours("A26_bom_crlf.toml")
    assert changes == {"bus.baud": 115_200, "node.0.address": 7}
    profile = profile_of(changed(changes))
    assert (profile.bus.baud, profile.node[0].address) == (115_200, 7)


def test_true_address() -> None:
    """True is not address 1."""
    assert faults(ours("A26_bool_address.toml")) == [
        (
            "wrong kind of value: true, expected an integer, 0 to 4294967295 "
            "@ node.0.address"
        )
    ]


@pytest.mark.parametrize(
    ("case", "line"),
    [
        (
            "A26_leading_zero.toml",
            (
                "not TOML: expected newline or end of document after a statement: "
                "address = 007 @ A26_leading_zero.toml:2 "
                "(a number has no leading zero; 0x, 0o and 0b are bases)"
            ),
        ),
        (
            "A26_duplicate.toml",
            "not TOML: set twice: baud = 230400 @ A26_duplicate.toml:3",
        ),
    ],
)
def test_line_is_named(case: str, line: str) -> None:
    """What is not TOML is refused with the key, the file and the line."""
    with pytest.raises(ProfileError) as caught:
        parse_profile(text(case), name=case)
    assert list(caught.value.lines) == [line]


def test_misspelt_key() -> None:
    """A misspelt key is refused, and the right one named, instead of a default."""
    assert faults(ours("A26_typo.toml")) == [
        "unknown key: adress @ node.0.adress (did you mean address?)",
        "required key missing, expected an integer, 0 to 4294967295 @ node.0.address",
    ]


def test_infinity() -> None:
    """Infinity passes no test of a range, and what is no number none at all."""
    tables = read_toml(text("A26_inf.toml"), "A26_inf.toml")
    assert math.isnan(tables["gap_us"])
    changes = {
        "bus.baud": tables["baud"],
        "bus.unit_loads": tables["gap_us"],
        "node.0.address": tables["address"],
        "traffic.dither": tables["gap_us"],
    }
    assert faults(changes) == [
        (
            'not a finite number: inf, expected a baud rate such as "4 Mbaud" or a '
            "whole number @ bus.baud"
        ),
        "out of range: nan, expected a number, above 0 @ bus.unit_loads",
        (
            'not a finite number: nan, expected a share such as "15 %" or 0 to 1 '
            "@ traffic.dither"
        ),
    ]
