"""How a port is to be held: modem lines, RS-485 direction, breaks, other hosts.

Options are read from words (`rts=off`), since they come from a command line.  All that
would change octets under way is refused by name: software flow control eats the octets
11h and 13h of any binary packet.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING, Literal

from bench.base.errors import Fault, UsageError
from bench.base.units import parse_duration

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True, slots=True)
class Rs485:
    """Direction of the RS-485 driver, switched by the serial driver.

    Attributes:
        before_ns: From switching the driver on to the first start bit.
        after_ns: From the last stop bit to switching it off.
        rts_on_send: Level of RTS while sending.
        rts_after_send: Level of RTS while not sending.
        hears_own: Whether the receiver stays on while sending.
    """

    before_ns: int = 0
    after_ns: int = 0
    rts_on_send: bool = True
    rts_after_send: bool = False
    hears_own: bool = False


@dataclass(frozen=True, slots=True)
class PortOptions:
    """How a port is to be held.

    Attributes:
        dtr: Level of DTR before any traffic; None: asserted, as systems open a port.
        rts: Level of RTS, likewise.
        rs485: Direction switched by the driver; None: the adapter does it by itself.
        break_by: "line": the driver holds the line low; "octet": an octet 00h at a
            rate so low that its nine low bits last as long, for adapters that cannot.
        away: Whether datagrams may go to other hosts than this one.
    """

    dtr: bool | None = None
    rts: bool | None = None
    rs485: Rs485 | None = None
    break_by: Literal["line", "octet"] = "line"
    away: bool = False

    @classmethod
    def of(cls, words: Mapping[str, str]) -> PortOptions:
        """Read options from words.

        Raises:
            UsageError: For an unknown one, a bad value, or one that is refused.
        """
        options = cls()
        for key, text in words.items():
            if key not in _READERS:
                raise _unknown(key)
            options = _READERS[key](options, key, text)
        return options


def _unknown(key: str) -> UsageError:
    near = get_close_matches(key, list(_READERS), 1)
    mend = f"did you mean {near[0]}?" if near else ""
    names = ", ".join(sorted(set(_READERS) - set(_FLOW_CONTROL)))
    return UsageError(Fault("no such option of a link", key, names, mend=mend))


def _refuse(options: PortOptions, key: str, text: str) -> PortOptions:
    if _switch(key, text):
        raise UsageError(
            Fault(
                "software flow control is refused",
                f"{key}={text}",
                "off",
                mend="it takes the octets 11h and 13h out of binary packets",
            )
        )
    return options


def _refuse_wires(options: PortOptions, key: str, text: str) -> PortOptions:
    if _switch(key, text):
        raise UsageError(
            Fault(
                "flow control by modem lines is refused",
                f"{key}={text}",
                "off",
                mend="an RS-485 bus has no such lines, and a held line spoils pacing",
            )
        )
    return options


def _dtr(options: PortOptions, key: str, text: str) -> PortOptions:
    return replace(options, dtr=_switch(key, text))


def _rts(options: PortOptions, key: str, text: str) -> PortOptions:
    return replace(options, rts=_switch(key, text))


def _away(options: PortOptions, key: str, text: str) -> PortOptions:
    return replace(options, away=_switch(key, text))


def _break_by(options: PortOptions, key: str, text: str) -> PortOptions:
    if text == "line":
        return replace(options, break_by="line")
    if text == "octet":
        return replace(options, break_by="octet")
    raise UsageError(Fault("no such way to make a break", f"{key}={text}", _BREAK_WAYS))


def _rs485(options: PortOptions, key: str, text: str) -> PortOptions:
    rs485 = options.rs485 or Rs485()
    return replace(options, rs485=rs485 if _switch(key, text) else None)


def _before(options: PortOptions, key: str, text: str) -> PortOptions:
    rs485 = options.rs485 or Rs485()
    return replace(options, rs485=replace(rs485, before_ns=parse_duration(text, key)))


def _after(options: PortOptions, key: str, text: str) -> PortOptions:
    rs485 = options.rs485 or Rs485()
    return replace(options, rs485=replace(rs485, after_ns=parse_duration(text, key)))


def _hears_own(options: PortOptions, key: str, text: str) -> PortOptions:
    rs485 = options.rs485 or Rs485()
    return replace(options, rs485=replace(rs485, hears_own=_switch(key, text)))


_BREAK_WAYS = "line or octet"

_FLOW_CONTROL = {"xonxoff": _refuse, "rtscts": _refuse_wires, "dsrdtr": _refuse_wires}

_READERS: dict[str, Callable[[PortOptions, str, str], PortOptions]] = {
    "dtr": _dtr,
    "rts": _rts,
    "away": _away,
    "break": _break_by,
    "rs485": _rs485,
    "rs485-before": _before,
    "rs485-after": _after,
    "rs485-hears-own": _hears_own,
    **_FLOW_CONTROL,
}

_WORDS = {
    **dict.fromkeys(("on", "yes", "true", "1"), True),
    **dict.fromkeys(("off", "no", "false", "0"), False),
}


def _switch(key: str, text: str) -> bool:
    """A switch's position."""
    try:
        return _WORDS[text.lower()]
    except KeyError:
        fault = Fault("not a switch", f"{key}={text}", "on or off")
        raise UsageError(fault) from None
