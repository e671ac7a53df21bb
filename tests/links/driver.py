"""A serial driver made of nothing, for what no machine without hardware can try.

It stands where the system's call stands: modem lines, RS-485 words, error counters, the
break and the driver's queue are its own and are recorded; settings of the terminal go
through to a real pty, so that octets move.  What the pty's kernel would not keep (the
parity bit, the size of a character, a speed that this driver clamps) it keeps itself.
"""

from __future__ import annotations

import errno
import os
import termios
from typing import TYPE_CHECKING

from bench.link.ports.line.tty import System
from bench.link.ports.system.direction import SERIAL_RS485, TIOCGRS485, TIOCSRS485
from bench.link.ports.system.terminal import (
    ICOUNT,
    TCGETS2,
    TCSETS2,
    TERMIOS2,
    TIOCGICOUNT,
    WORD,
    system_ioctl,
)

if TYPE_CHECKING:
    from bench.link.adapters.known import Known

SEND_BREAK_CALLS = {termios.TCSBRK, termios.TCSBRKP}


class Driver:
    """The system's call on one port.

    Attributes:
        lines: Bits of the modem lines; None: no such thing.
        counts: The twenty counters; None: no such thing.
        rs485: The eight RS-485 words; None: no such thing.
        speeds: Speeds that were set, in order.
        parities: The parity bits of the character, in order.
        breaks: "set" and "clear", in order.
        queue: Octets that have not left.
        clamp: Makes another speed out of one that was asked.
        cflag_of: Makes other character bits out of those that were asked.
        requests: Every call.
        known: What is known of the adapter's rates.
    """

    def __init__(self) -> None:
        self.lines: int | None = termios.TIOCM_DTR | termios.TIOCM_RTS
        self.counts: list[int] | None = [0] * 20
        self.rs485: list[int] | None = [0] * 8
        self.speeds: list[int] = []
        self.parities: list[int] = []
        self.breaks: list[str] = []
        self.queue = 0
        self.clamp = lambda speed: speed
        self.cflag_of = lambda cflag: cflag
        self.requests: list[int] = []
        self.known: Known | None = None
        self._cflag = 0

    @property
    def system(self) -> System:
        """This driver for a transport that takes the port for a real one."""
        return System(self, is_pseudo=lambda _: False, known_at=lambda _: self.known)

    def __call__(self, fd: int, request: int, raw: bytearray) -> int:
        """Answer one call."""
        self.requests.append(request)
        if request == TCGETS2:
            return self._get(fd, raw)
        if request == TCSETS2:
            return self._set(fd, raw)
        if request == termios.TIOCOUTQ:
            raw[:] = WORD.pack(self.queue)
        elif request == termios.TIOCMGET:
            raw[:] = WORD.pack(self._have(self.lines))
        elif request in (termios.TIOCMBIS, termios.TIOCMBIC):
            bits, have = WORD.unpack(raw)[0], self._have(self.lines)
            on = request == termios.TIOCMBIS
            self.lines = have | bits if on else have & ~bits
        elif request == TIOCGICOUNT:
            raw[:] = ICOUNT.pack(*self._have(self.counts))
        elif request == TIOCGRS485:
            raw[:] = SERIAL_RS485.pack(*self._have(self.rs485))
        elif request == TIOCSRS485:
            self._have(self.rs485)
            self.rs485 = list(SERIAL_RS485.unpack(raw))
        elif request in (0x5427, 0x5428):
            self.breaks.append("set" if request == 0x5427 else "clear")
        else:
            return system_ioctl(fd, request, raw)
        return 0

    def _have(self, thing):
        if thing is None:
            raise OSError(errno.ENOTTY, os.strerror(errno.ENOTTY))
        return thing

    def _get(self, fd: int, raw: bytearray) -> int:
        system_ioctl(fd, TCGETS2, raw)
        words = list(TERMIOS2.unpack(raw))
        if self.speeds:
            words[2] = self.cflag_of(self._cflag)
            words[-1] = self.clamp(self.speeds[-1])
            raw[:] = TERMIOS2.pack(*words)
        return 0

    def _set(self, fd: int, raw: bytearray) -> int:
        words = TERMIOS2.unpack(raw)
        self._cflag = words[2]
        self.speeds.append(words[-1])
        self.parities.append(words[2] & (termios.PARENB | termios.PARODD | 1 << 30))
        return system_ioctl(fd, TCSETS2, raw)
