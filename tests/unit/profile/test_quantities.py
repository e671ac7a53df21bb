"""Types of values: what models take, hold and give back."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from bench.profile import Profile, load_profile
from bench.profile.model import Bus, Foreign, Uart, key_of
from bench.profile.quantities import OctetString

OCTETS: TypeAdapter[bytes] = TypeAdapter(OctetString)


@given(octets=st.binary(min_size=1, max_size=64))
def test_octets_round_trip(octets: bytes) -> None:
    """Octets are written as spaced pairs and read back, with or without the spaces."""
    text = OCTETS.dump_python(octets, mode="json")
    assert text == " ".join(f"{octet:02X}" for octet in octets)
    for form in (text, text.lower(), text.replace(" ", ""), f" {text} "):
        assert OCTETS.validate_python(form) == octets


@pytest.mark.parametrize(
    "text", ["", " ", "A", "A5 5", "0xA5", "G0", "A5,5A", "٣٣", 0xA5]
)
def test_no_octets(text: object) -> None:
    """What is no whole number of hexadecimal pairs is refused."""
    with pytest.raises(ValidationError):
        OCTETS.validate_python(text)


def test_too_many_octets() -> None:
    """A literal is short: 64 octets, and not one more."""
    assert len(OCTETS.validate_python("00" * 64)) == 64
    with pytest.raises(ValidationError):
        OCTETS.validate_python("00" * 65)


def test_keys() -> None:
    """A key is the field's name without its unit."""
    assert key_of("latch_gap_ns") == "latch_gap"
    assert key_of("clock_hz") == "clock"
    assert key_of("channel_ma") == "channel"
    assert key_of("bias_ohm") == "bias"
    assert key_of("cable_m") == "cable"
    assert key_of("name") == "name"


def test_models_hold_plain_numbers() -> None:
    """A model reads quantities as written and holds plain numbers and tuples."""
    bus = Bus.model_validate({"baud": "3 Mbaud", "turnaround": "8 us", "stop_bits": 2})
    assert (bus.baud, bus.turnaround_ns, bus.stop_bits) == (3_000_000, 8_000, 2.0)
    foreign = Foreign.model_validate({"share": "15 %", "addresses": [17, 18]})
    assert (foreign.share, foreign.addresses) == (0.15, (17, 18))
    assert Uart.model_validate({"ready": 0.25}).ready == 0.25


def test_models_never_change() -> None:
    """A profile that was checked stays as it was."""
    with pytest.raises(ValidationError, match="frozen"):
        load_profile("causeway").bus.baud = 1


def test_json_is_read_too() -> None:
    """The tables of a profile may travel as JSON."""
    profile = load_profile("causeway")
    text = json.dumps(profile.dump())
    assert Profile.model_validate_json(text) == profile
