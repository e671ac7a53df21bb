"""Quantities with units, read exactly and written back exactly.

A person writes "4 Mbaud", "0.42 us", "15 %"; the bench computes with whole numbers of a
fixed unit.  quantiphy tells the number from the unit; everything that it would let pass
is refused here: a unit or a prefix that the kind of quantity does not know ("4 mbaud"
is not 0.004), a comma, infinity, a name of a natural constant, a fraction of a
nanosecond.  Arithmetic is in fractions, so "0.42 us" is 420 ns and nothing beside it.

`Kind.parse` reads and `Kind.text` writes; what is written reads back as the same value.
The `format_` functions are for reports only: they round, and nothing reads them back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from difflib import get_close_matches
from fractions import Fraction
from typing import TYPE_CHECKING, Literal, cast

from quantiphy import QuantiPhyError, Quantity

from bench.base.errors import Fault, UsageError
from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Mapping

_LONGEST_TEXT = 64
"""Longer text is no quantity, and its digits need not be worked out."""

_MOST_DECADES = 24
"""Powers of ten that a number may be away from one: past every unit here, and short of
1e999999999, whose digits would fill the memory."""

_LEAST = Fraction(1, 10**18)
"""Smallest value but nothing, in any base unit: what is read can be written and read
again within those decades."""

_ALIKE = str.maketrans({"µ": "u", "μ": "u", "\N{OHM SIGN}": "Ω"})
"""Signs that mean the same: micro and mu, ohm and omega."""


class _Split(Quantity):
    """A number and a unit that keeps its prefix."""


# No prefixes and no names before the number: both are decided here, kind by kind.
_Split.set_prefs(ignore_sf=True, accept_binary=False, assign_rec=r"(?!)")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of quantity.

    Attributes:
        name: What it is, with its article.
        example: Text that is right.
        units: Accepted spellings, each with its worth in the base unit.
        written: The spellings that are used for writing, the base unit last.
        bare: Numbers that are accepted without a unit.
        base: The base unit, of which values are whole numbers; "" for a kind whose
            values are not whole.
        least: Smallest value, in the base unit.
        most: Largest value, in the base unit; any that a signed 64-bit integer holds
            unless a use narrows it.
    """

    name: str
    example: str
    units: Mapping[str, Fraction]
    written: tuple[str, ...]
    bare: Literal["none", "whole", "share"] = "none"
    base: str = ""
    least: int | Fraction = 0
    most: int | Fraction = 10**18

    @property
    def expected(self) -> str:
        """What is right, in the words of a fault."""
        or_bare = {"none": "", "whole": " or a whole number", "share": " or 0 to 1"}
        return f'{self.name} such as "{self.example}"{or_bare[self.bare]}'

    @property
    def range(self) -> str:
        """What is in range, in the words of a fault."""
        return f"{self.text(self.least)} to {self.text(self.most)}"

    def within(self, least: int | Fraction, most: int | Fraction) -> Kind:
        """The same kind with another range."""
        return replace(self, least=least, most=most)

    def parse(self, value: object, where: str = "") -> int | float:
        """The value in the base unit.

        Args:
            value: Text with a unit, or a number where the kind takes a bare one.
            where: Dotted path or option, for the fault.

        Returns:
            An int for a kind that has a base unit, else a float.

        Raises:
            UsageError: If it is not a quantity of this kind, or out of range.
        """
        if isinstance(value, str):
            number, unit = self._split(value, where)
        elif isinstance(value, bool) or not isinstance(value, int | float):
            raise self._error(f"not {self.name}", value, where)
        else:
            number = Decimal(value if isinstance(value, int) else str(value))
            unit = ""
        if not number.is_finite():
            raise self._error("not a finite number", value, where)
        exact = self._worth(number, unit, value, where)
        if not self.least <= exact <= self.most or 0 < exact < _LEAST:
            raise UsageError(Fault("out of range", shown(value), self.range, where))
        if not self.base:
            return float(exact)
        if exact.denominator != 1:
            raise self._error(f"not a whole number of {self.base}", value, where)
        return exact.numerator

    def text(self, value: float | Fraction) -> str:
        """The shortest text with a unit that is exactly this value.

        Of texts of one length the one without a decimal point is taken.

        Args:
            value: In the base unit; a float stands for the shortest decimal number
                that reads back as that float.
        """
        exact = Fraction(str(value))
        if not exact:
            return f"0 {self.written[-1]}"
        numbers = ((unit, _decimal(exact / self.units[unit])) for unit in self.written)
        texts = [f"{number} {unit}" for unit, number in numbers if number]
        return min(texts, key=lambda text: (len(text), "." in text))

    def _split(self, given: str, where: str) -> tuple[Decimal, str]:
        """The number and the unit of a text."""
        text = given.translate(_ALIKE).strip()
        if "," in text:
            fault = Fault("comma in a number", shown(given), "a decimal point", where)
            raise UsageError(fault)
        # Without a leading digit the library would try names of natural constants.
        if not text or text[0] not in "+-.0123456789" or len(text) > _LONGEST_TEXT:
            raise self._error(f"not {self.name}", given, where)
        try:
            unit = str(_Split(text).units)
            number = Decimal(text.removesuffix(unit).strip())
        except (QuantiPhyError, InvalidOperation) as error:
            raise self._error(f"not {self.name}", given, where) from error
        return number, unit

    def _worth(self, number: Decimal, unit: str, given: object, where: str) -> Fraction:
        """A number with its unit, or without one, in the base unit."""
        number = number or Decimal(0)  # without the exponent that a zero may have
        if abs(number.adjusted()) > _MOST_DECADES:
            raise UsageError(Fault("out of range", shown(given), self.range, where))
        if unit and unit not in self.units:
            raise UsageError(self._unknown(unit, shown(given), where))
        if unit:
            return Fraction(number) * self.units[unit]
        if self.bare == "none":
            mend = f"write it with a unit, e.g. '{self.example}'"
            raise UsageError(Fault("no unit", shown(given), self.name, where, mend))
        if self.bare == "whole" and number.as_tuple().exponent != 0:
            raise self._error("not a whole number", given, where)
        if self.bare == "share" and 1 < number <= 100:
            mend = f"did you mean {shown(given)} %?"
            fault = Fault("out of range", shown(given), self.range, where, mend)
            raise UsageError(fault)
        return Fraction(number)

    def _unknown(self, unit: str, text: str, where: str) -> Fault:
        """The fault of a unit that this kind does not know."""
        alike = [known for known in self.units if known.lower() == unit.lower()]
        begin_alike = [known for known in self.units if known[0] == unit[0]]
        near = alike or get_close_matches(unit, begin_alike, n=1)
        what = "prefix or unit in the wrong case" if alike else "unknown unit"
        number = text.translate(_ALIKE).strip().removesuffix(unit).strip()
        mend = f"did you mean {number} {near[0]}?" if near else ""
        return Fault(what, text, f"{self.name} in {', '.join(self.units)}", where, mend)

    def _error(self, what: str, value: object, where: str) -> UsageError:
        return UsageError(Fault(what, shown(value), self.expected, where))


def _decimal(exact: Fraction) -> str:
    """Every decimal of a number; "" where they never end."""
    rest, places = exact.denominator, 0
    while rest % 10 == 0 or rest % 5 == 0 or rest % 2 == 0:
        rest //= 10 if rest % 10 == 0 else 5 if rest % 5 == 0 else 2
        places += 1
    if rest != 1:
        return ""
    digits = str(abs(exact.numerator) * 10**places // exact.denominator)
    digits = digits.zfill(places + 1)
    whole, part = digits[: len(digits) - places], digits[len(digits) - places :]
    return ("-" if exact < 0 else "") + whole + ("." + part if part else "")


def shown(value: object, longest: int = 60) -> str:
    """A value as a fault quotes it: one short line, nothing that cannot be printed."""
    if isinstance(value, bool):
        return str(value).lower()
    # Python refuses to write out whole numbers of more than some thousand digits.
    huge = isinstance(value, int) and value.bit_length() > 4 * longest
    text = hex(cast("int", value)) if huge else str(value)
    if len(text) > longest:
        text = text[: longest - 1] + "…"
    return "".join(sign if sign.isprintable() else "\N{OPEN BOX}" for sign in text)


# --- the kinds ------------------------------------------------------------------------


def _worths(*worths: tuple[str, int | str]) -> dict[str, Fraction]:
    return {unit: Fraction(worth) for unit, worth in worths}


DURATION = Kind(
    "a duration",
    "12.5 us",
    _worths(
        ("ps", "1/1000"),
        ("ns", 1),
        ("us", 10**3),
        ("ms", 10**6),
        ("s", NS_PER_S),
        ("min", 60 * NS_PER_S),
        ("h", 3600 * NS_PER_S),
        ("d", 86400 * NS_PER_S),
    ),
    written=("h", "min", "s", "ms", "us", "ns"),
    base="ns",
)
BAUD = Kind(
    "a baud rate",
    "4 Mbaud",
    _worths(
        ("baud", 1),
        ("kbaud", 10**3),
        ("Mbaud", 10**6),
        ("Bd", 1),
        ("kBd", 10**3),
        ("MBd", 10**6),
    ),
    written=("Mbaud", "kbaud", "baud"),
    bare="whole",
    base="baud",
    least=1,
)
FREQUENCY = Kind(
    "a frequency",
    "250 kHz",
    _worths(("Hz", 1), ("kHz", 10**3), ("MHz", 10**6), ("GHz", 10**9)),
    written=("GHz", "MHz", "kHz", "Hz"),
    bare="whole",
    base="Hz",
    least=1,
)
LANE_RATE = Kind(
    "a clock rate or a baud rate",
    "250 kHz",
    {**FREQUENCY.units, **BAUD.units},
    written=FREQUENCY.written,
    bare="whole",
    base="Hz",
    least=1,
)
LENGTH = Kind(
    "a length",
    "20 m",
    _worths(("mm", "1/1000"), ("cm", "1/100"), ("m", 1), ("km", 1000)),
    written=("km", "cm", "mm", "m"),
)
RESISTANCE = Kind(
    "a resistance",
    "120 Ohm",
    _worths(
        ("Ohm", 1),
        ("kOhm", 10**3),
        ("MOhm", 10**6),
        ("Ω", 1),
        ("kΩ", 10**3),
        ("MΩ", 10**6),
    ),
    written=("MOhm", "kOhm", "Ohm"),
)
CURRENT = Kind(
    "a current",
    "5 mA",
    _worths(("uA", "1/1000"), ("mA", 1), ("A", 1000)),
    written=("A", "uA", "mA"),
)
VOLTAGE = Kind(
    "a voltage",
    "5 V",
    _worths(("mV", "1/1000"), ("V", 1)),
    written=("mV", "V"),
)
SIZE = Kind(
    "a size",
    "2 GB",
    _worths(("B", 1), ("kB", 10**3), ("MB", 10**6), ("GB", 10**9), ("TB", 10**12)),
    written=("TB", "GB", "MB", "kB", "B"),
    base="B",
)
SHARE = Kind(
    "a share",
    "15 %",
    _worths(("%", "1/100")),
    written=("%",),
    bare="share",
    most=1,
)


def parse_duration(text: str, where: str = "") -> int:
    """Whole nanoseconds of a text such as "10s", "10 min" or "8h".

    Args:
        text: As it was typed.
        where: The option, for the fault.

    Raises:
        UsageError: If it is no duration.
    """
    return int(DURATION.parse(text, where))


# --- for display only -----------------------------------------------------------------

_PREFIXED = ("Hz", "baud", "bit/s")
"""Units of rates that take a prefix; "25 frames/s" does not."""


def format_ns(ns: float, digits: int = 4) -> str:
    """A time as a person reads it, "1.655 ms".

    Args:
        ns: Nanoseconds, of either sign.
        digits: Significant digits at most; from one minute on, whole seconds instead
            ("1 h 30 min").
    """
    seconds = round(abs(ns) / NS_PER_S)
    if seconds < 60:
        return str(Quantity(ns / NS_PER_S, "s").render(prec=digits - 1))
    minutes, second = divmod(seconds, 60)
    hour, minute = divmod(minutes, 60)
    parts = ((hour, "h"), (minute, "min"), (second, "s"))
    sign = "-" if ns < 0 else ""
    return sign + " ".join(f"{count} {unit}" for count, unit in parts if count)


def format_rate(rate: float, unit: str = "Hz", digits: int = 4) -> str:
    """A rate as a person reads it, "4 Mbaud" or "25.99 frames/s".

    Args:
        rate: In the unit.
        unit: Hz, baud and bit/s get a prefix, others do not.
        digits: Significant digits at most; the whole part is always shown in full.
    """
    if unit in _PREFIXED:
        return str(Quantity(rate, unit).render(prec=digits - 1))
    if abs(rate) >= 10 ** (digits - 1):
        return f"{format_count(round(rate))} {unit}"
    return f"{_plain(rate, digits)} {unit}"


def format_share(share: float, digits: int = 4) -> str:
    """A share as a person reads it, "76.96 %", with so many significant digits."""
    return f"{_plain(100 * share, digits)} %"


def format_count(count: int) -> str:
    """A count as a person reads it, in groups of three digits from 10 000 on.

    The groups are parted by a space that does not break a line: a comma or a point
    would be read as a decimal one by half the readers.
    """
    if abs(count) < 10_000:
        return str(count)
    return f"{count:,}".replace(",", "\N{NO-BREAK SPACE}")


def _plain(number: float, digits: int) -> str:
    """A rounded number without an exponent."""
    return f"{Decimal(f'{number:.{digits}g}'):f}"
