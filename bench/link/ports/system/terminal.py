"""One open terminal device: its settings and signals, by the system's own calls.

On Linux a terminal's speed is any whole number (the calls TCGETS2 and TCSETS2), which
newer C libraries no longer let through their own function; macOS has a call of its own
(IOSSIOSPEED); elsewhere a speed is what the C library takes.  What a system lacks gives
None, "not observable", or False, "not done here".

The call `ioctl` is handed in, so that what needs hardware can be tried without.
"""

from __future__ import annotations

import errno
import struct
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from bench.link.ports.base import optional

if TYPE_CHECKING:
    from collections.abc import Callable

    Ioctl = Callable[[int, int, bytearray], int]

TCGETS2 = 0x802C542A
TCSETS2 = 0x402C542B
TERMIOS2 = struct.Struct("=4IB19s2I")
"""struct termios2 (Linux, asm-generic/termbits.h): four flag words, line discipline,
control characters, input and output speed."""
BOTHER = 0o010000
CBAUD = 0o010017
CIBAUD = CBAUD << 16
CMSPAR = 0o10000000000
"""Speed by number; bits of the coded speeds, out and in; parity by level (Linux)."""

IOSSIOSPEED = 0x80085402
"""Set any speed (macOS, IOKit serial/ioss.h): _IOW('T', 2, speed_t) at 64 bits."""

TIOCGICOUNT = 0x545D
ICOUNT = struct.Struct("=20i")
"""Driver counters since boot (Linux, struct serial_icounter_struct)."""

WORD = struct.Struct("=I")

UNKNOWN_CALL = frozenset((errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP, errno.ENOSYS))
"""How a driver says that it does not know a call."""

LINUX = sys.platform.startswith("linux")


class Settings(NamedTuple):
    """How a terminal is set: the flag words of termios, and the speed in baud."""

    iflag: int
    oflag: int
    cflag: int
    lflag: int
    cc: tuple[int, ...]
    speed: int
    line: int = 0

    def differs(self, other: Settings) -> str:
        """What differs in the other, in words; "" if nothing."""
        parts = {
            "input flags": self.iflag != other.iflag,
            "output flags": self.oflag != other.oflag,
            "character": self.cflag & ~_SPEEDS != other.cflag & ~_SPEEDS,
            "local flags": self.lflag != other.lflag,
            "read rules": self.cc != other.cc,
            "line discipline": self.line != other.line,
        }
        words = [word for word, changed in parts.items() if changed]
        if self.speed != other.speed:
            words.append(f"speed {self.speed} to {other.speed} baud")
        return ", ".join(words)


_SPEEDS = CBAUD | CIBAUD if LINUX else 0


@dataclass(frozen=True, slots=True)
class Counters:
    """What a driver counted; each may wrap, so only differences mean something."""

    framing: int
    overrun: int
    parity: int
    breaks: int
    buffer_overrun: int

    def since(self, before: Counters) -> dict[str, int]:
        """How many more than before."""
        return {
            name: (getattr(self, name) - getattr(before, name)) % (1 << 32)
            for name in COUNTERS
        }


COUNTERS = ("framing", "overrun", "parity", "breaks", "buffer_overrun")


class Terminal:
    """One terminal device that somebody else opened and will close.

    Args:
        fd: Its descriptor.
        ioctl: The system's call, given a buffer that it reads or fills.
    """

    def __init__(self, fd: int, ioctl: Ioctl | None = None) -> None:
        self.fd = fd
        self._termios: Any = optional("termios")
        self._ioctl: Ioctl = ioctl or system_ioctl
        self._by_number = LINUX and self._ask(TCGETS2, TERMIOS2.size) is not None

    # -- settings -------------------------------------------------------------

    def settings(self) -> Settings:
        """How it is set now."""
        if self._by_number:
            raw = bytearray(TERMIOS2.size)
            self._ioctl(self.fd, TCGETS2, raw)
            *flags, line, cc, _, speed = TERMIOS2.unpack(raw)
            iflag, oflag, cflag, lflag = flags
            return Settings(iflag, oflag, cflag, lflag, tuple(cc), speed, line)
        iflag, oflag, cflag, lflag, _, speed, cc = self._termios.tcgetattr(self.fd)
        octets = tuple(c if isinstance(c, int) else c[0] for c in cc)
        return Settings(iflag, oflag, cflag, lflag, octets, speed)

    def set_up(self, new: Settings, *, speed: bool = True) -> None:
        """Set it at once, without a wait for what is under way.

        Args:
            new: How.
            speed: Whether the speed is set too.
        """
        if self._by_number:
            cflag = new.cflag & ~(CBAUD | CIBAUD) | BOTHER
            words = (new.iflag, new.oflag, cflag, new.lflag, new.line)
            raw = TERMIOS2.pack(*words, bytes(new.cc), new.speed, new.speed)
            self._ioctl(self.fd, TCSETS2, bytearray(raw))
            return
        now = self._termios.tcgetattr(self.fd)
        cc = list(new.cc)
        flags = (new.iflag, new.oflag, new.cflag, new.lflag)
        self._termios.tcsetattr(
            self.fd, self._termios.TCSANOW, [*flags, now[4], now[5], cc]
        )
        if speed and sys.platform == "darwin":
            self._ioctl(self.fd, IOSSIOSPEED, bytearray(struct.pack("@L", new.speed)))

    @property
    def takes_any_speed(self) -> bool:
        """Whether `set_up` sets a speed by number, so that any can be asked for."""
        return self._by_number or sys.platform == "darwin"

    @property
    def tells_speed(self) -> bool:
        """Whether the speed in `settings` is in baud."""
        return self._by_number or sys.platform == "darwin" or "bsd" in sys.platform

    def marking(self, settings: Settings, *, on: bool) -> Settings:
        """Those settings with line errors marked in the input, or all errors unseen.

        A read that finds nothing then says so, and an empty one is an end.
        """
        t = self._termios
        iflag = settings.iflag & ~(t.BRKINT | t.IGNBRK | t.IGNPAR | t.ISTRIP)
        iflag &= ~(t.IXON | t.IXOFF | getattr(t, "IXANY", 0) | t.PARMRK | t.INPCK)
        if on:
            iflag |= t.PARMRK | t.INPCK
        cc = list(settings.cc)
        cc[t.VMIN], cc[t.VTIME] = 1, 0
        return settings._replace(iflag=iflag, cc=tuple(cc))

    def with_parity(self, settings: Settings, parity: str) -> Settings:
        """Those settings with another parity: none, even, odd, mark or space."""
        t = self._termios
        level = CMSPAR if LINUX else 0
        bits = {
            "none": 0,
            "even": t.PARENB,
            "odd": t.PARENB | t.PARODD,
            "space": t.PARENB | level,
            "mark": t.PARENB | t.PARODD | level,
        }[parity]
        cflag = settings.cflag & ~(t.PARENB | t.PARODD | level)
        return settings._replace(cflag=cflag | bits)

    def with_size(self, settings: Settings, data_bits: int, stops: float) -> Settings:
        """Those settings with other data and stop bits."""
        t = self._termios
        cflag = settings.cflag & ~(t.CSIZE | t.CSTOPB)
        cflag |= getattr(t, f"CS{data_bits}") | (t.CSTOPB if stops > 1 else 0)
        return settings._replace(cflag=cflag)

    def flow_controlled(self) -> bool:
        """Whether software flow control is on: it eats 11h and 13h."""
        t = self._termios
        return bool(self.settings().iflag & (t.IXON | t.IXOFF))

    def take(self, *, alone: bool) -> bool:
        """Let nobody else open it, or let them again; whether the system did."""
        call = "TIOCEXCL" if alone else "TIOCNXCL"
        request = getattr(self._termios, call, None)
        return request is not None and self._ask(request, 0) is not None

    # -- signals and counts ---------------------------------------------------

    def modem_lines(self) -> dict[str, bool] | None:
        """Levels of the modem lines; None: not observable."""
        raw = self._ask(self._termios.TIOCMGET, WORD.size)
        if raw is None:
            return None
        (bits,) = WORD.unpack(raw)
        names = {"dtr": "DTR", "rts": "RTS", "cts": "CTS", "dsr": "DSR", "dcd": "CAR"}
        return {
            name: bool(bits & getattr(self._termios, f"TIOCM_{sign}"))
            for name, sign in names.items()
        }

    def switch(self, line: str, *, on: bool) -> None:
        """Switch DTR or RTS and leave the other alone."""
        t = self._termios
        bit = {"dtr": t.TIOCM_DTR, "rts": t.TIOCM_RTS}[line]
        request = t.TIOCMBIS if on else t.TIOCMBIC
        self._ioctl(self.fd, request, bytearray(WORD.pack(bit)))

    def counters(self) -> Counters | None:
        """What the driver counted since boot; None: not observable."""
        raw = self._ask(TIOCGICOUNT, ICOUNT.size) if LINUX else None
        if raw is None:
            return None
        counts = ICOUNT.unpack(raw)
        return Counters(counts[6], counts[7], counts[8], counts[9], counts[10])

    def unsent(self) -> int:
        """Octets in the driver that it has not passed on."""
        raw = bytearray(WORD.size)
        self._ioctl(self.fd, self._termios.TIOCOUTQ, raw)
        return int(WORD.unpack(raw)[0])

    def hold_low(self, *, low: bool) -> None:
        """Hold the line low, or let it go."""
        t = self._termios
        names = ("TIOCSBRK", 0x5427) if low else ("TIOCCBRK", 0x5428)
        fallback = names[1] if LINUX else (0x2000747B if low else 0x2000747A)
        self._ioctl(self.fd, getattr(t, names[0], fallback), bytearray())

    def drop_unsent(self) -> None:
        """Throw away what has not left: a close would wait for it, half a minute."""
        self._termios.tcflush(self.fd, self._termios.TCOFLUSH)

    def drain(self) -> None:
        """Wait until all is on the wire, without bound."""
        self._termios.tcdrain(self.fd)

    def _ask(self, request: int, size: int) -> bytearray | None:
        """One call that not every device knows; None if it does not."""
        raw = bytearray(size)
        try:
            self._ioctl(self.fd, request, raw)
        except OSError as error:
            if error.errno in UNKNOWN_CALL:
                return None
            raise
        return raw


def system_ioctl(fd: int, request: int, raw: bytearray) -> int:
    """The system's call; what it fills comes back in the buffer."""
    fcntl = optional("fcntl")
    if raw:
        return int(fcntl.ioctl(fd, request, raw, True))
    return int(fcntl.ioctl(fd, request))
