"""RS-485 direction, switched by the serial driver (Linux, struct serial_rs485).

The driver takes its delays in whole milliseconds and may clamp them.  What is asked is
rounded up, never silently: a delay cut to nothing would put the first start bit on a
bus that nobody drives yet.  What the driver then says it does is read back.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError

if TYPE_CHECKING:
    from bench.link.ports.options import Rs485
    from bench.link.ports.system.terminal import Ioctl

TIOCGRS485 = 0x542E
TIOCSRS485 = 0x542F
SERIAL_RS485 = struct.Struct("=8I")
"""Flags, delay before and after sending in ms, and room for later (linux/serial.h)."""

ENABLED = 1 << 0
RTS_ON_SEND = 1 << 1
RTS_AFTER_SEND = 1 << 2
RX_DURING_TX = 1 << 4

NS_PER_MS = 1_000_000


def switch_direction(
    fd: int, asked: Rs485, where: str, ioctl: Ioctl
) -> tuple[dict[str, object], list[str]]:
    """Ask the driver to switch the direction.

    Returns:
        What it says it does, and notes on every difference from what was asked.

    Raises:
        UsageError: If the driver cannot.
    """
    notes: list[str] = []
    before = _whole_ms("before sending", asked.before_ns, notes)
    after = _whole_ms("after sending", asked.after_ns, notes)
    raw = bytearray(SERIAL_RS485.size)
    try:
        ioctl(fd, TIOCGRS485, raw)
        flags = SERIAL_RS485.unpack(raw)[0] & ~(
            RTS_ON_SEND | RTS_AFTER_SEND | RX_DURING_TX
        )
        flags |= ENABLED
        flags |= RTS_ON_SEND * asked.rts_on_send
        flags |= RTS_AFTER_SEND * asked.rts_after_send
        flags |= RX_DURING_TX * asked.hears_own
        words = (flags, before, after, *SERIAL_RS485.unpack(raw)[3:])
        ioctl(fd, TIOCSRS485, bytearray(SERIAL_RS485.pack(*words)))
        got = bytearray(SERIAL_RS485.size)
        ioctl(fd, TIOCGRS485, got)
    except OSError as error:
        raise UsageError(
            Fault(
                "this port cannot switch an RS-485 driver",
                f"{where} ({error.strerror or error})",
                mend="leave the rs485 options out: most adapters switch by themselves",
            )
        ) from error
    is_flags, is_before, is_after, *_ = SERIAL_RS485.unpack(got)
    _compare(notes, (flags, before, after), (is_flags, is_before, is_after))
    facts: dict[str, object] = {
        "enabled": bool(is_flags & ENABLED),
        "before_ms": is_before,
        "after_ms": is_after,
        "rts_on_send": bool(is_flags & RTS_ON_SEND),
        "rts_after_send": bool(is_flags & RTS_AFTER_SEND),
        "hears_own": bool(is_flags & RX_DURING_TX),
    }
    return facts, notes


def _whole_ms(which: str, ns: int, notes: list[str]) -> int:
    """A delay in whole milliseconds, rounded up, and a note where it was."""
    ms = -(-ns // NS_PER_MS)
    if ms * NS_PER_MS != ns:
        notes.append(
            f"RS-485 delay {which}: {ns / NS_PER_MS:g} ms asked, the driver takes "
            f"whole milliseconds: {ms} ms"
        )
    return ms


def _compare(
    notes: list[str], asked: tuple[int, int, int], got: tuple[int, int, int]
) -> None:
    """Note what the driver made of it."""
    for which, a, g in zip(("before", "after"), asked[1:], got[1:], strict=True):
        if a != g:
            notes.append(
                f"RS-485 delay {which} sending: {a} ms asked, the driver does {g} ms"
            )
    if not got[0] & ENABLED:
        notes.append("the driver took the RS-485 setting and says that it is off")
    elif asked[0] != got[0]:
        notes.append(f"RS-485 flags {asked[0]:#x} asked, the driver does {got[0]:#x}")
