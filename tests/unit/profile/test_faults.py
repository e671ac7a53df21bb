"""Faults of shape: every kind, in the house form, at the place where it was written."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from unit.profile.edits import CAUSEWAY, GONE, faults

from bench.base.errors import ProfileError
from bench.profile import profile_of

CASES: dict[str, tuple[dict[str, Any], str]] = {
    "float for a whole number": (
        {"bus.baud": 4e6},
        (
            'not a whole number: 4000000.0, expected a baud rate such as "4 Mbaud" or '
            "a whole number @ bus.baud"
        ),
    ),
    "baud in the wrong case": (
        {"bus.baud": "4 mbaud"},
        (
            "prefix or unit in the wrong case: 4 mbaud, expected a baud rate in baud, "
            "kbaud, Mbaud, Bd, kBd, MBd @ bus.baud (did you mean 4 Mbaud?)"
        ),
    ),
    "impossible baud": (
        {"bus.baud": "4 GBd"},
        (
            "unknown unit: 4 GBd, expected a baud rate in baud, kbaud, Mbaud, Bd, "
            "kBd, MBd @ bus.baud"
        ),
    ),
    "baud out of range": (
        {"bus.baud": 200_000_000},
        "out of range: 200000000, expected 1 baud to 100 Mbaud @ bus.baud",
    ),
    "time without a unit": (
        {"output.latch_gap": 500},
        (
            "no unit: 500, expected a duration @ output.latch_gap "
            "(write it with a unit, e.g. '12.5 us')"
        ),
    ),
    "time that must not be zero": (
        {"output.latch_gap": "0 ms"},
        "out of range: 0 ms, expected 1 ns to 24 h @ output.latch_gap",
    ),
    "infinity in a share": (
        {"accept.loss": float("inf")},
        (
            'not a finite number: inf, expected a share such as "15 %" or 0 to 1 '
            "@ accept.loss"
        ),
    ),
    "infinity in a number": (
        {"bus.unit_loads": float("inf")},
        "out of range: inf, expected a number, above 0 @ bus.unit_loads",
    ),
    "certainty": (
        {"accept.confidence": "100 %"},
        "out of range: 100 %, expected 0.0001 % to 99.9999 % @ accept.confidence",
    ),
    "clock that never rises": (
        {"output.rise": 1},
        "out of range: 1, expected 0.1 % to 99.9 % @ output.rise",
    ),
    "true for a number": (
        {"node.0.address": True},
        (
            "wrong kind of value: true, expected an integer, 0 to 4294967295 "
            "@ node.0.address"
        ),
    ),
    "true for a choice of numbers": (
        {"output.word_octets": True},
        "wrong kind of value: true, expected 1, 2, 4, 8 or 16 @ output.word_octets",
    ),
    "true for stop bits": (
        {"bus.stop_bits": True},
        "unknown choice: true, expected 1, 1.5 or 2 @ bus.stop_bits",
    ),
    "true for the version": (
        {"profile": True},
        "wrong kind of value: true, expected 1 @ profile",
    ),
    "other version": ({"profile": 2}, "unknown choice: 2, expected 1 @ profile"),
    "text for a number": (
        {"processor.uart.fifo": "8"},
        'wrong kind of value: "8", expected an integer, 1 to 256 @ processor.uart.fifo',
    ),
    "number for text": (
        {"summary": 8},
        "wrong kind of value: 8, expected text @ summary",
    ),
    "number for a switch": (
        {"processor.uart.idle_on_empty": 1},
        (
            "wrong kind of value: 1, expected true or false "
            "@ processor.uart.idle_on_empty"
        ),
    ),
    "date for a number": (
        {"node.3.address": date(2031, 5, 7)},
        (
            "wrong kind of value: 2031-05-07, expected an integer, 0 to 4294967295 "
            "@ node.3.address"
        ),
    ),
    "number of many digits": (
        {"node.3.address": 16**5000},
        (
            f"out of range: 0x1{'0' * 56}…, expected an integer, 0 to 4294967295 "
            "@ node.3.address"
        ),
    ),
    "table for a number": (
        {"node.3.address": {"of": 1}},
        (
            "wrong kind of value: a table, expected an integer, 0 to 4294967295 "
            "@ node.3.address"
        ),
    ),
    "number for a table": (
        {"accept": 3},
        "wrong kind of value: 3, expected a table @ accept",
    ),
    "number for a shared table": (
        {"processor": 3},
        "wrong kind of value: 3, expected a table @ processor",
    ),
    "number among the fields": (
        {"packet.fields.2": 3},
        "wrong kind of value: 3, expected a table @ packet.fields.2",
    ),
    "table for an array of tables": (
        {"node": {"name": "lone", "address": 1}},
        (
            "wrong kind of value: a table, expected an array of tables, 1 to 256 @ "
            "node (write [[node]])"
        ),
    ),
    "too few": (
        {"packet.fields": []},
        "wrong size: [], expected an array of tables, at least 1 @ packet.fields",
    ),
    "too long": (
        {"node.1.name": "x" * 65},
        f'wrong size: "{"x" * 59}…", expected text, 1 to 64 signs @ node.1.name',
    ),
    "name of signs": (
        {"name": "Causeway!"},
        'wrong form: "Causeway!", expected text such as "causeway" @ name',
    ),
    "unknown choice": (
        {"packet.framing": "markr"},
        (
            'unknown choice: "markr", expected marker, cobs, slip, hdlc, silence, '
            "break or ninth-bit @ packet.framing (did you mean marker?)"
        ),
    ),
    "unknown kind of field": (
        {"packet.fields.2.kind": "sequenc"},
        (
            'unknown choice: "sequenc", expected address, check, length, literal, '
            "payload or sequence @ packet.fields.2.kind (did you mean sequence?)"
        ),
    ),
    "field without a kind": (
        {"packet.fields.2.kind": GONE},
        (
            "required key missing, expected address, check, length, literal, payload "
            "or sequence @ packet.fields.2.kind"
        ),
    ),
    "out of range": (
        {"packet.fields.2.size": 5},
        "out of range: 5, expected an integer, 1 to 4 @ packet.fields.2.size",
    ),
    "in an array": (
        {"traffic.foreign.addresses": [17, "18"]},
        (
            'wrong kind of value: "18", expected an integer, 0 to 4294967295 '
            "@ traffic.foreign.addresses.1"
        ),
    ),
    "no octets": (
        {"packet.fields.0.octets": "A5 5"},
        (
            "not a string of octets: A5 5, expected 1 to 64 octets as hexadecimal "
            'pairs such as "A5 5A" @ packet.fields.0.octets'
        ),
    ),
    "check of a wrong kind": (
        {"packet.fields.5.algorithm": 16},
        "wrong kind of value: 16, expected text @ packet.fields.5.algorithm",
    ),
    "parameters of a check": (
        {"packet.fields.5.algorithm": {"width": 65, "poly": 1}},
        (
            "out of range: 65, expected an integer, 3 to 64 "
            "@ packet.fields.5.algorithm.width"
        ),
    ),
    "unknown key": (
        {"traffic.patern": "random"},
        "unknown key: patern @ traffic.patern (did you mean pattern?)",
    ),
    "unknown key like no other": (
        {"packet.fields.4.xyz": 1},
        (
            "unknown key: xyz @ packet.fields.4.xyz "
            "(there are kind, octets, least, most or shared)"
        ),
    ),
    "unknown key of a shared table": (
        {"processor.uart.triger": 4},
        "unknown key: triger @ processor.uart.triger (did you mean trigger?)",
    ),
    "unknown key of one node": (
        {"node.2.output": {"lane": 4}},
        "unknown key: lane @ node.2.output.lane (did you mean lanes?)",
    ),
    "key outside its table": (
        {"baud": "4 Mbaud"},
        "unknown key: baud @ baud (did you mean bus.baud?)",
    ),
    "name of an internal field": (
        {"output.latch_gap_ns": 500_000},
        "unknown key: latch_gap_ns @ output.latch_gap_ns (did you mean latch_gap?)",
    ),
    "missing key": (
        {"traffic.frame_rate": GONE},
        (
            'required key missing, expected text such as "250 kHz" or an integer, 1 to '
            "100000000000 @ traffic.frame_rate"
        ),
    ),
    "missing key of a shared table": (
        {"processor.interrupt.per_character": GONE},
        (
            'required key missing, expected text such as "12.5 us" '
            "@ processor.interrupt.per_character"
        ),
    ),
    "missing table": (
        {"bus": GONE},
        "required table missing, expected a table @ bus",
    ),
    "missing shared table": (
        {"output": GONE},
        "required table missing, expected a table @ output",
    ),
    "no node": (
        {"node": GONE},
        "required key missing, expected an array of tables, 1 to 256 @ node",
    ),
    "signs that a terminal obeys": (
        {"packet.framing": "\x1b[2J\n"},
        (
            'unknown choice: "␣[2J␣", expected marker, cobs, slip, hdlc, silence, '
            "break or ninth-bit @ packet.framing"
        ),
    ),
    "key that a terminal obeys": (
        {"accept.\x1b": 1},
        (
            "unknown key: ␣ @ accept.␣ (there are loss, confidence, latency, skew, "
            "wrong_clocks or marginal)"
        ),
    ),
}


@pytest.mark.parametrize(("changes", "line"), CASES.values(), ids=CASES)
def test_one_fault(changes: dict[str, Any], line: str) -> None:
    """A fault of shape is one line, said once, and no rule speaks because of it."""
    assert faults(changes) == [line]


def test_all_at_once_in_order() -> None:
    """Faults of shape come all at once and in the order of the file."""
    lines = faults(
        {
            "light.cap": "20 %%",
            "node.3.adress": 5,
            "packet.pad": "F",
            "bus.baud": True,
            "processor.uart.fifo": 0,
            "node.3.address": GONE,
        }
    )
    assert [line.partition(" @ ")[2].partition(" ")[0] for line in lines] == [
        "bus.baud",
        "packet.pad",
        "processor.uart.fifo",
        "node.3.adress",
        "node.3.address",
        "light.cap",
    ]


def test_misspelt_key_names_both() -> None:
    """A misspelt key is a fault that names the right one, which is missing as well."""
    assert faults({"node.3.adress": 5, "node.3.address": GONE}) == [
        "unknown key: adress @ node.3.adress (did you mean address?)",
        "required key missing, expected an integer, 0 to 4294967295 @ node.3.address",
    ]


def test_shared_tables_without_nodes() -> None:
    """Shared tables are examined even where no node looks at them yet."""
    assert faults({"node": [], "processor.uart.fifo": 0, "output.lane": 3}) == [
        "out of range: 0, expected an integer, 1 to 256 @ processor.uart.fifo",
        "unknown key: lane @ output.lane (did you mean lanes?)",
        "wrong size: [], expected an array of tables, 1 to 256 @ node",
    ]


def test_nothing_at_all() -> None:
    """An empty file lacks every required part, and shared tables are none of them."""
    with pytest.raises(ProfileError) as caught:
        profile_of({})
    assert list(caught.value.lines) == [
        "required key missing, expected 1 @ profile",
        'required key missing, expected text such as "causeway" @ name',
        "required table missing, expected a table @ bus",
        "required table missing, expected a table @ packet",
        "required key missing, expected an array of tables, 1 to 256 @ node",
        "required table missing, expected a table @ traffic",
    ]


def test_faults_carry_their_parts() -> None:
    """A fault is a record: what, value, expected, where and mend, each by itself."""
    tables = {**CAUSEWAY, "traffic": {**CAUSEWAY["traffic"], "pacing": "pakced"}}
    with pytest.raises(ProfileError) as caught:
        profile_of(tables)
    (fault,) = caught.value.faults
    assert fault.what == "unknown choice"
    assert fault.value == '"pakced"'
    assert fault.expected == "packed, timed or flood"
    assert fault.where == "traffic.pacing"
    assert fault.mend == "did you mean packed?"
    assert caught.value.exit_code == 2
