"""A serial port of a POSIX system, with all its discipline.

One owner (lock and exclusive use); modem lines and RS-485 direction before any traffic;
the speed by the system's own call, read back; software flow control off, and made sure
of; line errors marked in the input where the port is a real one.  Octets go by
non-blocking calls on the descriptor, so every count is exact.  Nothing waits without
bound, the close least of all: a driver would wait half a minute for a line that is held
off.  Somebody else's change of the settings is noticed.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.base.columns import Flaw
from bench.base.errors import BenchError, Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.link.adapters.plugged import known_at
from bench.link.adapters.rates import MOST_ERROR
from bench.link.ports.base import FOREIGN, BaseTransport
from bench.link.ports.line.bounded import returns_within
from bench.link.ports.line.marks import Marks
from bench.link.ports.line.opening import adapter, letters, open_port
from bench.link.ports.line.setting import Wanted, disobeyed, set_line
from bench.link.ports.options import PortOptions
from bench.link.ports.refusals import driver_switches, refused
from bench.link.ports.system.descriptors import await_ready, read_some, write_some
from bench.link.ports.system.direction import switch_direction
from bench.link.ports.system.sysfs import (
    is_pseudo,
    latency_timer_ms,
    stable_name,
)
from bench.link.ports.system.terminal import COUNTERS, LINUX, Terminal, system_ioctl
from bench.link.transport import Can, Heard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from typing import Literal

    from bench.base.clock import Clock
    from bench.link.adapters.known import Known
    from bench.link.ports.system.terminal import Counters, Ioctl, Settings
    from bench.profile.model import Bus

BASE_BAUD = 115_200
"""A speed that every port and C library takes; the real one is set afterwards."""

LOOK_NS = 250_000_000
"""How often the settings are compared: one system call, so four a second cost
nothing."""

DRAIN_MARGIN_S = 0.25
"""Beyond the time that the octets take: an adapter's own buffers and latency timer
(16 ms) many times over."""

DRAIN_MOST_S = 2.0
"""Whatever is queued, a stop does not take longer than this."""

OTHER_PARITY = {"even": "odd", "odd": "even", "mark": "space", "space": "mark"}
"""What makes a parity error."""

RETRY_S = 0.05
"""How often is tried whether a lost port is back."""


@dataclass(frozen=True, slots=True)
class System:
    """What the transport asks of the system; another one for tests.

    Attributes:
        ioctl: The call on terminals.
        open_port: Opens a port and gives pyserial's object.
        is_pseudo: Whether a device is an end of a pty.
        known_at: What is known of the rates of the adapter behind a device.
    """

    ioctl: Ioctl = system_ioctl
    open_port: Callable[..., Any] = open_port
    is_pseudo: Callable[[str], bool] = is_pseudo
    known_at: Callable[[str], Known | None] = known_at


THIS_SYSTEM = System()


class TtyTransport(BaseTransport):
    """A serial port.

    Args:
        name: Its name.
        bus: Speed and character.
        clock: Whom to ask for the time.
        options: How it is to be held.
        system: What to ask of the system.

    Attributes:
        switch: See `SwitchesLines`; it is there where the port has modem lines.

    Raises:
        LinkError: If it cannot be had.
        UsageError: If it cannot do what the options ask.
    """

    switch: Callable[..., None]

    def __init__(
        self,
        name: str,
        bus: Bus,
        clock: Clock,
        options: PortOptions | None = None,
        system: System = THIS_SYSTEM,
    ) -> None:
        super().__init__(name, clock)
        self._bus, self._options = bus, options or PortOptions()
        self._system = system
        self._stable = stable_name(name)
        self._pseudo = system.is_pseudo(name)
        flaw = Flaw.FRAMING if bus.parity == "none" else Flaw.PARITY
        self._flaw = Flaw.ADDRESS if bus.data_bits == 9 else flaw
        # The ninth bit is a parity bit of a stated level: off unless asked for.
        self._parity = "space" if bus.data_bits == 9 else bus.parity
        self._changes = self._reopened = self._undrained = 0
        self._flawed = self._breaks = 0
        self._break_ns: int | None = None
        self._connect()
        real = not self._pseudo
        self.can = Can(
            keeps_baud=real,
            breaks=real,
            ninth_bit=real and bus.data_bits == 9 and LINUX,
            tells_flaws=real,
            tells_unsent=real,
        )
        if self._lines is not None:
            self.switch = self._switch

    @property
    def rates(self) -> tuple[int, ...] | None:
        """What the adapter makes of the rate that is wanted; None: not known.

        The wanted rate itself where the adapter comes near enough to it for a sender,
        by its chip's rule, or else by what the driver says when it is read back.
        """
        wanted = self._bus.baud
        if self._made is not None:
            return (wanted if self._made.serves else round(self._made.baud),)
        if self._pseudo or self._got is None:
            return None
        return (wanted if abs(self._got / wanted - 1) <= MOST_ERROR else self._got,)

    # -- opening --------------------------------------------------------------

    def _connect(self) -> None:
        """Open it and set it up; leaves nothing open if that fails."""
        device = self._stable or self._name
        # Opened at a speed that always works; the real one is set by number.
        baud = BASE_BAUD if LINUX else self._bus.baud
        port = self._system.open_port(
            device, self._bus, self._options, baud, plain=self._pseudo
        )
        try:
            self._set_up(port)
        except BenchError:
            port.close()
            raise
        except FOREIGN as error:
            port.close()
            raise refused(self._name, error) from error
        self._port, self._held = port, True
        self._adapter = adapter(device)
        known = None if self._pseudo else self._system.known_at(device)
        self._made = known.rule.nearest(self._bus.baud) if known else None
        if self._made is not None and self._made.error:
            asked, made = self._made.wanted, float(self._made.baud)
            ppm = float(self._made.error * 10**6)
            self._note(
                f"{asked} baud asked, this adapter makes {made:.0f} ({ppm:+.0f} ppm)"
            )
        self._looked_ns = self._clock.now_ns()
        self._stuck = False
        self._sure = 0  # accepted octets that are known to have left

    def _set_up(self, port: Any) -> None:
        terminal = Terminal(port.fileno(), self._system.ioctl)
        self._fd, self._terminal = terminal.fd, terminal
        self._alone = terminal.take(alone=True)
        self._direction: dict[str, object] | None = None
        if self._options.rs485 is not None:
            self._direction, notes = switch_direction(
                terminal.fd, self._options.rs485, self._name, self._system.ioctl
            )
            self._note(*notes)
        if not terminal.takes_any_speed:
            port.baudrate = self._bus.baud
        how = Wanted(self._bus, self._parity, marks=not self._pseudo, name=self._name)
        self._got, notes = set_line(terminal, how)
        if not self._pseudo:
            port.reset_input_buffer()  # heard at a wrong speed, if at all
        self._mine = terminal.settings()
        self._lines = terminal.modem_lines()
        asked = {"dtr": self._options.dtr, "rts": self._options.rts}
        if self._direction:
            asked["rts"] = None  # the driver's to switch
        self._note(*notes, *disobeyed(asked, self._lines))
        self._counted = self._counters_before = terminal.counters()
        self._marks = Marks(self._flaw)

    def reopen(self, seconds: float) -> bool:
        """See `Reopens`: by its stable name where it has one."""
        if self._closed:
            return False
        self._let_go()
        deadline_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        while True:
            try:
                self._connect()
            except BenchError:
                left_ns = deadline_ns - self._clock.now_ns()
                if left_ns <= 0:
                    return False
                self._clock.sleep(min(RETRY_S, left_ns / NS_PER_S))
            else:
                self._found_again()
                self._reopened += 1
                self._sure = self._accepted
                return True

    # -- octets ---------------------------------------------------------------

    def _write(self, octets: memoryview) -> int:
        self._look()
        return write_some(self._fd, octets)

    def _read(self) -> Heard | None:
        self._look()
        raw = read_some(self._fd)
        if raw is None:
            return None
        at_ns = self._clock.now_ns()
        if self._pseudo:
            return Heard(raw, at_ns)
        octets, flaws = self._marks.feed(raw)
        self._breaks += sum(flaw == Flaw.BREAK for _, flaw in flaws)
        self._flawed += sum(flaw in (Flaw.FRAMING, Flaw.PARITY) for _, flaw in flaws)
        return Heard(octets, at_ns, flaws) if octets else None

    def _wait(self, seconds: float, room: bool) -> None:
        await_ready(seconds, [self._fd], [self._fd] if room else [])

    def _unsent(self) -> int | None:
        unsent = self._terminal.unsent()
        return None if self._pseudo else unsent

    def _look(self) -> None:
        """Notice now and then whether somebody else changed the settings."""
        now_ns = self._clock.now_ns()
        if now_ns - self._looked_ns < LOOK_NS:
            return
        self._looked_ns = now_ns
        settings = self._terminal.settings()
        if changed := self._mine.differs(settings):
            self._changes += 1
            self._note(f"another program changed this port's settings: {changed}")
            self._mine = settings

    def _switch(self, line: Literal["dtr", "rts"], *, on: bool) -> None:
        """See `SwitchesLines`."""
        if line == "rts" and self._direction:
            raise driver_switches(self._name)
        with self._border:
            self._terminal.switch(line, on=on)

    # -- what needs the line empty --------------------------------------------

    def drain(self) -> int:
        """See `Drains`."""
        with self._border:
            return self._drain()

    def _drain(self) -> int:
        if self._stuck:
            return self._accepted - self._sure
        most_s = min(self._queued_s() + DRAIN_MARGIN_S, DRAIN_MOST_S)
        if not returns_within(most_s, self._terminal.drain):
            self._stuck = True  # nobody waits for it twice
            return self._accepted - self._sure
        self._sure = self._accepted
        return 0

    def _queued_s(self) -> float:
        unsent = self._terminal.unsent()
        return float(unsent * self._bus.character.step / NS_PER_S)

    def _empty(self, what: str) -> None:
        if left := self._drain():
            raise LinkError(
                Fault(
                    f"no {what}: what was sent before does not leave the port",
                    f"up to {left} octets in {self._name}",
                    mend="is the line held off, or the adapter stuck?",
                )
            )

    def _hold_low(self, ns: int) -> int:
        if not self.can.breaks:
            return super()._hold_low(ns)
        self._empty("break")
        way = self._low_by_octet if self._options.break_by == "octet" else self._low
        self._break_ns = way(ns)
        return self._break_ns

    def _low(self, ns: int) -> int:
        clock = self._clock
        begun_ns = clock.now_ns()
        self._terminal.hold_low(low=True)
        try:
            until_ns = clock.now_ns() + ns
            while (left_ns := until_ns - clock.now_ns()) > 0:
                clock.sleep(left_ns / NS_PER_S)
        finally:
            self._terminal.hold_low(low=False)
        return clock.now_ns() - begun_ns

    def _low_by_octet(self, ns: int) -> int:
        """An octet 00h so slow that its start and data bits last long enough."""
        bus = self._bus
        bits = 1 + min(bus.data_bits, 8)
        bits += bus.parity in ("even", "space") or bus.data_bits == 9
        slow = self._mine._replace(speed=max(1, bits * NS_PER_S // max(ns, 1)))
        with self._set_for_a_while(slow) as got:
            self._put_one(0)
            # The drain knows nothing of the lower speed: wait it out first.
            self._clock.sleep(
                float(bus.character.step) * bus.baud / got.speed / NS_PER_S
            )
            self._empty("end of a break")
        low_ns = bits * NS_PER_S // max(got.speed, 1)
        if low_ns < ns:
            self._note(f"a break of {ns} ns came out {low_ns} ns long")
        return low_ns

    def put(self, octet: int, flaw: Flaw) -> None:
        """See `PutsFlaws`: by the parity bit, which is set for this one character."""
        with self._border:
            self._put(octet, flaw)
        self._accepted += 1

    def _put(self, octet: int, flaw: Flaw) -> None:
        bus, parity = self._bus, None
        if flaw is Flaw.ADDRESS and self.can.ninth_bit:
            parity = "mark"
        elif flaw is Flaw.PARITY and not self._pseudo:
            parity = OTHER_PARITY.get(bus.parity)
        if parity is None:
            raise LinkError(
                Fault(
                    "this port cannot send such a character",
                    f"{flaw.name.lower()} on {letters(bus)}",
                    mend="parity needs a parity bit, an address nine data bits",
                )
            )
        self._empty("change of the parity bit")
        other = self._terminal.with_parity(self._mine, parity)
        with self._set_for_a_while(other):
            self._put_one(octet)
            self._empty("change of the parity bit")

    @contextlib.contextmanager
    def _set_for_a_while(self, settings: Settings) -> Iterator[Settings]:
        """Other settings, and the old ones again; gives those that were got."""
        mine = self._mine
        self._terminal.set_up(settings)
        try:
            yield self._terminal.settings()
        finally:
            self._terminal.set_up(mine)
            self._mine = self._terminal.settings()

    def _put_one(self, octet: int) -> None:
        if not write_some(self._fd, memoryview(bytes((octet,)))):
            raise EOFError("an empty port takes nothing")

    # -- the end --------------------------------------------------------------

    def _close(self, *, lost: bool) -> None:
        try:
            if not lost:
                self._undrained = self._drain()
                if self._undrained:
                    self._note(
                        f"drain timed out, up to {self._undrained} octets unconfirmed"
                    )
                    self._terminal.drop_unsent()
                self._counted = self._terminal.counters()
        finally:
            self._let_go()

    def _let_go(self) -> None:
        """Close it, whatever it says to that; a second time does nothing."""
        if not self._held:
            return
        self._held = False
        with contextlib.suppress(*FOREIGN):
            self._terminal.take(alone=False)
        # pyserial's close throws what it likes once its port has gone.
        with contextlib.suppress(TypeError, ValueError, *FOREIGN):
            self._port.close()

    def _facts(self) -> Mapping[str, Any]:
        return {
            "kind": "pty" if self._pseudo else "serial port",
            "port": self._name,
            "stable_name": self._stable,
            "adapter": self._adapter,
            "alone": self._alone,
            "baud_asked": self._bus.baud,
            "baud_got": self._got,
            "baud_made": None if self._made is None else float(self._made.baud),
            "character": "8N1" if self._pseudo else letters(self._bus),
            "flow_control": "off",
            "modem_lines": self._lines,
            "rs485": self._direction,
            "latency_timer_ms": latency_timer_ms(self._name),
            "last_break_ns": self._break_ns,
        }

    def _counts(self) -> Mapping[str, int | None]:
        if self._gone is None:
            with contextlib.suppress(*FOREIGN):
                self._counted = self._terminal.counters()
        told = self.can.tells_flaws
        return {
            **_more(self._counters_before, self._counted),
            "marked_flawed": self._flawed if told else None,
            "marked_breaks": self._breaks if told else None,
            "settings_changed": self._changes,
            "reopened": self._reopened,
            "unconfirmed_at_close": self._undrained if self._closed else None,
        }


def _more(before: Counters | None, now: Counters | None) -> dict[str, int | None]:
    """What the driver counted meanwhile; None: not observable."""
    if before is None or now is None:
        return dict.fromkeys(COUNTERS)
    return {**now.since(before)}
