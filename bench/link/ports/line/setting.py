"""Setting a terminal as the bus wants it, and reading back what became of it.

A driver may take a setting and do something else: another speed, no parity by level,
flow control that stays on.  What is off by little is told; what would put something
else than the plan on the line is refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from bench.base.errors import Fault, LinkError
from bench.link.ports.line.opening import letters

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.link.ports.system.terminal import Terminal
    from bench.profile.model import Bus

MOST_SPEED_ERROR = 0.05
"""Half a bit in ten: past it no receiver of ordinary characters can follow."""


class Wanted(NamedTuple):
    """How a terminal is wanted.

    Attributes:
        bus: Speed, data and stop bits.
        parity: Its parity.
        marks: Whether it is a real port: line errors marked, the character set.
        name: What the user called it.
    """

    bus: Bus
    parity: str
    marks: bool
    name: str


def set_line(terminal: Terminal, wanted: Wanted) -> tuple[int | None, list[str]]:
    """Set speed, character and how line errors are told.

    Returns:
        The speed that is read back, None where it is not observable; and notes.

    Raises:
        LinkError: If it does not keep what was set.
    """
    bus = wanted.bus
    settings = terminal.marking(terminal.settings(), on=wanted.marks)
    if wanted.marks:
        settings = terminal.with_parity(settings, wanted.parity)
        settings = terminal.with_size(settings, min(bus.data_bits, 8), bus.stop_bits)
    terminal.set_up(settings._replace(speed=bus.baud))
    if terminal.flow_controlled():
        raise LinkError(
            Fault(
                "the port keeps software flow control on",
                wanted.name,
                "off",
                mend="it would take 11h and 13h out of packets; use another port",
            )
        )
    now = terminal.settings()
    if changed := settings._replace(speed=0).differs(now._replace(speed=0)):
        raise LinkError(
            Fault(
                "the port does not keep its settings",
                f"{changed} changed back",
                f"{letters(bus)} and nothing altered",
                wanted.name,
                "another adapter, or another character in the profile",
            )
        )
    if not terminal.tells_speed:
        return None, []
    return now.speed, _speed_told(now.speed, bus.baud, wanted.name)


def _speed_told(got: int, asked: int, name: str) -> list[str]:
    """What there is to say of a speed that was read back."""
    error = got / asked - 1
    if abs(error) > MOST_SPEED_ERROR:
        raise LinkError(
            Fault(
                "the port does not make the speed",
                f"{got} baud",
                f"{asked} baud",
                name,
                "another adapter, or another baud in the profile",
            )
        )
    if got == asked:
        return []
    return [f"{asked} baud asked, the port says {got} ({error * 1e6:+.0f} ppm)"]


def disobeyed(
    asked: Mapping[str, bool | None], got: Mapping[str, bool] | None
) -> list[str]:
    """Notes on modem lines that are not as asked, or that nobody can see."""
    notes = []
    for name, level in asked.items():
        if level is None:
            continue
        word = f"{name.upper()} {'on' if level else 'off'} asked"
        if got is None:
            notes.append(f"{word}, not observable on this port")
        elif got[name] != level:
            notes.append(f"{word}, the port says otherwise")
    return notes
