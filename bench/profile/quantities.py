"""Types of the values that a profile holds.

Each reads what a person writes in the file (`bench.base.units` knows the units), holds
a plain number of the unit that its field's name states, writes itself back as text with
a unit, and says in the JSON Schema what an editor may accept.

A fault is raised in the house form and carried through pydantic untouched.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Any, cast

from pydantic import BeforeValidator, StrictInt, WithJsonSchema
from pydantic_core import PydanticCustomError, PydanticKnownError, core_schema

from bench.base.errors import BenchError, Fault
from bench.base.units import (
    BAUD,
    CURRENT,
    DURATION,
    FREQUENCY,
    LANE_RATE,
    LENGTH,
    RESISTANCE,
    SHARE,
    VOLTAGE,
    Kind,
    parse_duration,
    shown,
)

if TYPE_CHECKING:
    from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler

__all__ = [
    "FAULT",
    "Baud",
    "Confidence",
    "Current",
    "Duration",
    "Frequency",
    "LaneRate",
    "Length",
    "OctetString",
    "Offset",
    "PeriodShare",
    "PositiveDuration",
    "Resistance",
    "Share",
    "StopBits",
    "StrictInt",
    "Voltage",
    "only_whole",
]

FAULT = "fault"
"""Type of a pydantic error whose context holds a `Fault` without its place."""

_NUMBER = r"[0-9][0-9_]*\.?[0-9]*|\.[0-9]+"
_EXPONENT = r"[eE][-+]?[0-9]+"


def _refusal(fault: Fault) -> PydanticCustomError:
    """A fault as pydantic carries it; its place is put in by `faults`."""
    parts = {
        "what": fault.what,
        "value": fault.value,
        "expected": fault.expected,
        "mend": fault.mend,
    }
    return PydanticCustomError(FAULT, "{what}: {value}, expected {expected}", parts)


class _Written:
    """A number that is written with a unit."""

    def __init__(self, kind: Kind) -> None:
        self.kind = kind
        # The same few texts are read again at each point of a sweep.
        self._parsed = lru_cache(256)(kind.parse)

    def __get_pydantic_core_schema__(
        self, source: type, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Read before, write in JSON mode."""
        return core_schema.no_info_before_validator_function(
            self._read,
            handler(source),
            serialization=core_schema.plain_serializer_function_ser_schema(
                self.kind.text, return_schema=core_schema.str_schema(), when_used="json"
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Text of a number and a known unit, or a bare number where that is taken."""
        kind = self.kind
        units = [re.sub("^u", "[uµμ]", unit) for unit in kind.units]
        unit = f"({'|'.join(units)}){'' if kind.bare == 'none' else '?'}"
        sign = "[-+]" if kind.least < 0 else r"\+"
        text = {
            "type": "string",
            "pattern": rf"^\s*{sign}?({_NUMBER})({_EXPONENT})?\s*{unit}\s*$",
            "examples": [kind.example],
        }
        if kind.bare == "none":
            return text
        number = "integer" if kind.bare == "whole" else "number"
        least, most = (
            limit if isinstance(limit, int) else float(limit)
            for limit in (kind.least, kind.most)
        )
        bare = {"type": number, "minimum": least, "maximum": most}
        return {"anyOf": [text, bare]}

    def _read(self, value: object) -> int | float:
        try:
            if isinstance(value, str):
                return self._parsed(value)
            return self.kind.parse(value)
        except BenchError as error:
            raise _refusal(error.fault) from error


class _Octets:
    """Octets that are written as pairs of hexadecimal digits."""

    _PATTERN = r"^\s*[0-9A-Fa-f]{2}(\s*[0-9A-Fa-f]{2})*\s*$"
    _MOST = 64  # a literal, a marker, a pad: never a payload

    def __get_pydantic_core_schema__(
        self, source: type, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Read before, write in JSON mode."""
        return core_schema.no_info_before_validator_function(
            self._read,
            handler(source),
            serialization=core_schema.plain_serializer_function_ser_schema(
                self._text, return_schema=core_schema.str_schema(), when_used="json"
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Pairs of hexadecimal digits."""
        return {"type": "string", "pattern": self._PATTERN, "examples": ["A5 5A"]}

    def _read(self, value: object) -> bytes:
        if isinstance(value, bytes):
            return value
        if isinstance(value, str) and re.fullmatch(self._PATTERN, value, re.ASCII):
            octets = bytes.fromhex(value)
            if len(octets) <= self._MOST:
                return octets
        expected = f'1 to {self._MOST} octets as hexadecimal pairs such as "A5 5A"'
        raise _refusal(Fault("not a string of octets", shown(value), expected))

    @staticmethod
    def _text(octets: bytes) -> str:
        return octets.hex(" ").upper()


# Limits that catch a slip of the unit.  A day: no time on a bus or in a node is longer.
# 100 Mbaud: twice the fastest RS-485 transceivers.  100 GHz: no clock of a node board.
_MOST_NS = parse_duration("24 h")
_MOST_BAUD = 100_000_000
_MOST_HZ = 100_000_000_000


def _within(decades: int) -> Fraction:
    return Fraction(1, 10**decades)


Duration = Annotated[int, _Written(DURATION.within(0, _MOST_NS))]
"""Whole nanoseconds, 0 to a day."""

PositiveDuration = Annotated[int, _Written(DURATION.within(1, _MOST_NS))]
"""Whole nanoseconds, 1 to a day."""

Baud = Annotated[int, _Written(BAUD.within(1, _MOST_BAUD))]
"""Bits a second."""

Frequency = Annotated[int, _Written(FREQUENCY.within(1, _MOST_HZ))]
"""Whole hertz, at least one."""

LaneRate = Annotated[int, _Written(LANE_RATE.within(1, _MOST_HZ))]
"""Whole hertz or baud, at least one."""

Length = Annotated[float, _Written(LENGTH.within(0, 100_000))]
"""Metres; a hundred kilometres of cable are no RS-485 bus."""

Resistance = Annotated[float, _Written(RESISTANCE.within(1, 100_000_000))]
"""Ohms; less than one is a short circuit."""

Current = Annotated[float, _Written(CURRENT.within(0, 1_000_000))]
"""Milliamperes; a kiloampere is no channel."""

Voltage = Annotated[float, _Written(VOLTAGE.within(0, 1000))]
"""Volts; a kilovolt is no logic."""

Share = Annotated[float, _Written(SHARE)]
"""0 to 1."""

Offset = Annotated[float, _Written(SHARE.within(-_within(1), _within(1)))]
"""A tenth to either side; further off nothing is received."""

Confidence = Annotated[float, _Written(SHARE.within(_within(6), 1 - _within(6)))]
"""Neither 0 nor 1, and no closer than the statistics of a trial can mean."""

PeriodShare = Annotated[float, _Written(SHARE.within(_within(3), 1 - _within(3)))]
"""Inside a period; the simulated node knows thousandths of one."""

OctetString = Annotated[bytes, _Octets()]
"""At least one octet."""


def _whole(value: object) -> object:
    # A choice is looked up by value, and true == 1 == 1.0.
    if isinstance(value, bool | float):
        raise PydanticKnownError("int_type")
    return value


def _stop_bits(value: object) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if number and value in _STOP_BITS:
        return float(cast("float", value))
    raise PydanticKnownError("literal_error", {"expected": "1, 1.5 or 2"})


only_whole = BeforeValidator(_whole)
"""For a choice of whole numbers: neither true nor 1.0 is 1."""

_STOP_BITS = (1, 1.5, 2)

StopBits = Annotated[
    float, BeforeValidator(_stop_bits), WithJsonSchema({"enum": list(_STOP_BITS)})
]
"""1, 1.5 or 2."""
