"""The JSON Schema: valid itself, agrees with the loader, and helps an editor."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from unit.profile.edits import CAUSEWAY, GONE, changed, faults

from bench.base.units import BAUD, CURRENT, DURATION, FREQUENCY, LENGTH, RESISTANCE
from bench.profile import json_schema, load_profile
from bench.profile.schema import known_paths, part_at

SCHEMA = jsonschema.Draft202012Validator(json_schema())


def refused(changes: dict[str, Any]) -> bool:
    """Whether the schema finds fault with the changed causeway."""
    return any(SCHEMA.iter_errors(changed(changes)))


def test_schema_is_one() -> None:
    """It says which draft it follows, and does."""
    schema = json_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


def test_shipped_profile_agrees() -> None:
    """The shipped profile is valid, as written and resolved."""
    SCHEMA.validate(CAUSEWAY)
    SCHEMA.validate(load_profile("causeway").dump())


FAULTY: dict[str, dict[str, Any]] = {
    "misspelt key": {"node.0.adress": 5},
    "misspelt table": {"trafic": {}},
    "missing key": {"traffic.frame_rate": GONE},
    "missing table": {"bus": GONE},
    "text for a number": {"processor.uart.fifo": "8"},
    "true for a number": {"node.0.address": True},
    "true for a choice of numbers": {"output.word_octets": True},
    "out of range": {"processor.uart.fifo": 0},
    "unknown choice": {"packet.framing": "markr"},
    "unknown kind": {"packet.fields.2.kind": "sequenc"},
    "key of another kind": {"packet.fields.2.octets": "A5"},
    "time without a unit": {"output.latch_gap": 500},
    "time as text without a unit": {"output.latch_gap": "500"},
    "prefix in the wrong case": {"bus.baud": "4 mbaud"},
    "comma": {"output.latch_gap": "2,5 us"},
    "infinity": {"output.latch_gap": "inf s"},
    "wrong unit": {"bus.cable": "20 us"},
    "share above one": {"light.cap": 20},
    "no octets": {"packet.pad": "F"},
    "table for an array": {"node": {"name": "lone", "address": 1}},
    "no node": {"node": []},
    "in a node's own table": {"node.0.output": {"clok": "2 MHz"}},
    "parameters of a check": {"packet.fields.5.algorithm": {"width": 65, "poly": 1}},
}


@pytest.mark.parametrize("changes", FAULTY.values(), ids=FAULTY)
def test_typical_faults(changes: dict[str, Any]) -> None:
    """What an editor can know to be wrong is wrong to the schema and to the loader."""
    assert refused(changes)
    assert faults(changes)


PARTIAL: dict[str, dict[str, Any]] = {
    "part of a node's own table": {"node.0.output": {"clock": "2 MHz"}},
    "micro sign": {"output.latch_gap": "500 µs"},
    "omega": {"bus.termination": "120 Ω"},
    "bare baud": {"bus.baud": 115_200},
    "share in per cent": {"traffic.dither": "5%"},
    "parameters of a check": {
        "packet.fields.5.algorithm": {"width": 16, "poly": 0x1021}
    },
}


@pytest.mark.parametrize("changes", PARTIAL.values(), ids=PARTIAL)
def test_ways_of_writing(changes: dict[str, Any]) -> None:
    """Other ways of writing that the loader takes are right to the schema too."""
    assert not refused(changes)
    assert faults(changes) == []


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("bus.baud", BAUD),
        ("bus.cable", LENGTH),
        ("bus.bias", RESISTANCE),
        ("output.setup", DURATION),
        ("processor.clock", FREQUENCY),
        ("light.channel", CURRENT),
    ],
)
def test_every_unit(path: str, kind: Any) -> None:
    """Each unit that the loader knows is one that the schema knows."""
    for unit in kind.units:
        changes = {path: f"4000 {unit}"}
        assert not refused(changes), unit
        assert refused({path: f"4000 {unit}x"}), unit


def test_descriptions() -> None:
    """Every key has a description for the editor, and quantities have an example."""
    for path in known_paths(CAUSEWAY):
        part = part_at(path, CAUSEWAY)
        assert part is not None, path
        member = isinstance(path[-1], int) or path[-1] == "kind"
        assert member or part.get("description"), path
        if part.get("type") == "string" and "pattern" in part:
            assert part["examples"], path


def test_defaults_as_written() -> None:
    """Defaults are shown as a person would write them."""
    parts = json_schema()["$defs"]
    assert parts["Output"]["properties"]["rise"]["default"] == "50 %"
    assert parts["Bus"]["properties"]["turnaround"]["default"] == "0 ns"
    assert "default" not in parts["Bus"]["properties"]["cable"]


def test_own_copy() -> None:
    """A caller may change what it was given."""
    json_schema()["properties"].clear()
    assert "bus" in json_schema()["properties"]
