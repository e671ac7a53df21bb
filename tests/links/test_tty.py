"""The discipline of a serial port; what needs hardware, on a driver made of nothing."""

from __future__ import annotations

import os
import termios

import pytest
from links import rigs
from links.contract import collect, heard
from links.driver import Driver

from bench.base.clock import JumpClock, SystemClock
from bench.base.columns import Flaw
from bench.base.errors import LinkError
from bench.link.adapters.known import known_of
from bench.link.ports import (
    PortOptions,
    PutsFlaws,
    Reopens,
    Rs485,
    SwitchesLines,
    make_transport,
)
from bench.link.ports.line.plain import PlainTransport
from bench.link.ports.line.tty import TtyTransport
from bench.profile import load_profile
from bench.profile.model import Bus
from bench.trial.links import LinkOptions, live_link
from bench.trial.sweep.point import CannotMakeError, refuse_rate

BUS = Bus(baud=4_000_000)
CMSPAR = 0o10000000000


@pytest.fixture
def slave():
    """A pty: the far end's descriptor, and the name to open."""
    master, near = os.openpty()
    far = rigs.Descriptor(master)
    yield far, os.ttyname(near)
    os.close(near)
    far.lose()


def port(name, driver, bus=BUS, clock=None, **options):
    """A port that takes itself for a real one."""
    clock = clock or SystemClock()
    return TtyTransport(name, bus, clock, PortOptions(**options), system=driver.system)


def test_a_second_owner_is_refused(slave):
    """One owner a port: the second is told that it is busy, and how."""
    with make_transport(slave[1], BUS, SystemClock()):
        with pytest.raises(LinkError, match="port is busy: /dev/pts/") as error:
            make_transport(slave[1], BUS, SystemClock())
        assert len(error.value.lines) == 1
    make_transport(slave[1], BUS, SystemClock()).close()


def test_modem_lines_are_read_back(slave):
    """What the port says after the setting is told, not what was asked."""
    driver = Driver()
    driver.lines = termios.TIOCM_DTR | termios.TIOCM_CTS
    with port(slave[1], driver, dtr=True, rts=False) as transport:
        told = transport.told()
    lines = {"dtr": True, "rts": False, "cts": True, "dsr": False, "dcd": False}
    assert told.facts["modem_lines"] == lines
    assert told.notes == ()


def test_modem_lines_that_do_not_obey_are_noted(slave):
    """RTS asked off and still on is a sentence, since it may switch a driver."""
    driver = Driver()
    with port(slave[1], driver, rts=False) as transport:
        assert "RTS off asked, the port says otherwise" in transport.told().notes


def test_modem_lines_of_a_pty_are_not_observable(slave):
    """A pty has none: not a level, and a note if one was asked."""
    options = PortOptions(rts=False)
    with make_transport(slave[1], BUS, SystemClock(), options) as transport:
        told = transport.told()
    assert told.facts["modem_lines"] is None
    assert "RTS off asked, not observable on this port" in told.notes


class Windows:
    """As much of pyserial's port on another system as modem lines take."""

    write_timeout = None

    def __init__(self):
        self.levels = []

    def __setattr__(self, name, level):
        if name in ("dtr", "rts"):
            self.levels.append((name, level))
        object.__setattr__(self, name, level)

    def close(self):
        """Close it."""


def test_a_modem_line_of_another_system_is_switched():
    """Where there is no descriptor pyserial's own lines are switched."""
    stub = Windows()
    transport = PlainTransport("COM7", BUS, JumpClock(), opener=lambda *_: stub)
    assert isinstance(transport, SwitchesLines)
    for on in (True, False):
        transport.switch("dtr", on=on)
        transport.switch("rts", on=on)
    assert stub.levels == [
        ("dtr", True),
        ("rts", True),
        ("dtr", False),
        ("rts", False),
    ]


@pytest.mark.parametrize("line", ["dtr", "rts"])
def test_a_modem_line_is_switched_alone(slave, line):
    """DTR or RTS goes on and off while the other stays; no octet moves for that."""
    driver = Driver()
    driver.lines = termios.TIOCM_CTS
    bit = {"dtr": termios.TIOCM_DTR, "rts": termios.TIOCM_RTS}[line]
    with port(slave[1], driver) as transport:
        assert isinstance(transport, SwitchesLines)
        driver.queue = 500  # whatever waits in the driver, the line does not
        transport.switch(line, on=True)
        assert driver.lines == termios.TIOCM_CTS | bit
        assert termios.TIOCOUTQ not in driver.requests
        transport.switch(line, on=False)
        assert driver.lines == termios.TIOCM_CTS
        driver.queue = 0
    assert slave[0].take() == b""


def test_rts_is_not_switched_where_it_switches_the_driver(slave):
    """With RS-485 direction by the driver RTS is refused by name, DTR is not."""
    driver = Driver()
    with port(slave[1], driver, rs485=Rs485()) as transport:
        with pytest.raises(LinkError, match="RTS is the RS-485 driver's to switch"):
            transport.switch("rts", on=True)
        transport.switch("dtr", on=False)
        assert driver.lines == termios.TIOCM_RTS


def test_a_switch_notices_a_port_that_has_gone(slave):
    """A modem line of a port that was unplugged is a lost link, as any call is."""
    driver = Driver()
    with port(slave[1], driver) as transport:
        driver.lines = None
        with pytest.raises(LinkError, match="link lost"):
            transport.switch("dtr", on=True)


def test_what_has_no_modem_lines_does_not_switch_any(slave):
    """A pty, a loop and a loop's URL lack the method, so nobody claims a trigger."""
    driver = Driver()
    driver.lines = None
    with port(slave[1], driver) as transport:
        assert not isinstance(transport, SwitchesLines)
    for name in (slave[1], "loop", "loop://"):
        with make_transport(name, BUS, SystemClock()) as transport:
            assert not isinstance(transport, SwitchesLines)


def test_a_speed_that_is_nearly_made_is_told(slave):
    """A port that makes 4 Mbaud into 3 999 000 says so, in ppm."""
    driver = Driver()
    driver.clamp = lambda speed: speed - 1_000 if speed == 4_000_000 else speed
    with port(slave[1], driver) as transport:
        told = transport.told()
    assert told.facts["baud_got"] == 3_999_000
    assert "(-250 ppm)" in " ".join(told.notes)


def test_a_speed_that_is_not_made_is_refused(slave):
    """A port that falls back to 9600 baud is no port for 4 Mbaud."""
    driver = Driver()
    driver.clamp = lambda _: 9_600
    with pytest.raises(LinkError, match="does not make the speed: 9600 baud"):
        port(slave[1], driver)
    make_transport(slave[1], BUS, SystemClock()).close()


@pytest.mark.parametrize(
    ("baud", "rates", "made"),
    [
        (115_200, (115_200,), 24_000_000 / 208),  # + 0.16 %: near enough
        (4_000_000, (4_000_000,), 3_000_000),
        (3_500_000, (3_000_000,), 3_000_000),
    ],
)
def test_what_a_known_chip_makes_counts_and_not_what_its_driver_says(
    slave, baud, rates, made
):
    """The rule of the chip says which rates it makes near the wanted one."""
    driver = Driver()
    driver.known = known_of(0x10C4, 0xEA60, None)
    if baud == 4_000_000:
        driver.known, made = known_of(0x0403, 0x6014, 0x0900), 4_000_000
    with port(slave[1], driver, Bus(baud=baud)) as transport:
        told = transport.told()
        assert transport.rates == rates
        assert told.facts["baud_made"] == pytest.approx(made)
        assert ("this adapter makes" in " ".join(told.notes)) == (made != baud)


def test_rates_by_what_is_read_back(slave):
    """Of an unknown chip the driver's word counts; of a pty nothing is known."""
    driver = Driver()
    driver.clamp = lambda speed: 3_900_000 if speed == 4_000_000 else speed
    with port(slave[1], driver) as transport:
        assert transport.rates == (3_900_000,)
        assert transport.told().facts["baud_made"] is None
    with make_transport(slave[1], BUS, SystemClock()) as transport:
        assert transport.rates is None


def test_a_sweep_passes_over_what_the_adapter_does_not_make(slave):
    """The live link hands the rates up, and a point that it cannot make says so."""
    driver = Driver()
    driver.known = known_of(0x10C4, 0xEA60, None)
    profile = load_profile("causeway", ["bus.baud=3.5 Mbaud"])
    transport = port(slave[1], driver, profile.bus)
    link = live_link(transport, profile, SystemClock(), LinkOptions())
    nearest = "nearest that it makes is 3000000"
    with link, pytest.raises(CannotMakeError, match=nearest):
        refuse_rate(link, profile.bus.baud)


def test_driver_counters_are_differences_and_may_wrap(slave):
    """What was counted before the opening is not ours; a wrap is none of our errors."""
    driver = Driver()
    driver.counts[6:11] = [5, 2**31 - 1, 7, 0, 0]
    with port(slave[1], driver) as transport:
        driver.counts[6:11] = [8, -(2**31), 7, 2, 1]
        counts = transport.told().counts
        names = ("framing", "overrun", "parity", "breaks", "buffer_overrun")
        assert [counts[name] for name in names] == [3, 1, 0, 2, 1]
    assert transport.told().counts["framing"] == 3


def test_no_counters_is_not_observable(slave):
    """A driver without counters gives None, never 0."""
    driver = Driver()
    driver.counts = None
    with port(slave[1], driver) as transport:
        counts = transport.told().counts
    assert counts["framing"] is counts["parity"] is counts["overrun"] is None


def test_marks_are_taken_apart_by_a_real_kernel(slave):
    """With marks on, the kernel doubles FFh, and all 256 values come out once."""
    far, name = slave
    every_value = bytes(range(256)) * 4
    with port(name, Driver()) as transport:
        far.give(every_value)
        assert heard(transport, len(every_value)) == every_value
        told = transport.told()
    assert told.counts["marked_flawed"] == told.counts["marked_breaks"] == 0


def test_what_the_driver_has_not_sent_is_told(slave):
    """`unsent` is the driver's queue; of a pty it is not observable."""
    driver = Driver()
    with port(slave[1], driver) as transport:
        driver.queue = 123
        assert transport.unsent() == 123
        driver.queue = 0
    with make_transport(slave[1], BUS, SystemClock()) as transport:
        assert transport.unsent() is None


@pytest.mark.parametrize("what", ["speed", "character", "input"])
def test_a_foreign_change_of_settings_is_noticed(slave, what):
    """Another program that turns something is found out, once, by name."""
    far, name = slave
    clock = JumpClock()
    other = os.open(name, os.O_RDWR | os.O_NOCTTY)
    with make_transport(name, BUS, clock) as transport:
        settings = termios.tcgetattr(other)
        if what == "speed":
            settings[4] = settings[5] = termios.B9600
        elif what == "character":
            settings[2] |= termios.CSTOPB
        else:
            settings[0] |= termios.ICRNL
        termios.tcsetattr(other, termios.TCSANOW, settings)
        for _ in range(3):
            clock.advance(300_000_000)
            transport.read()
        told = transport.told()
    os.close(other)
    assert told.counts["settings_changed"] == 1
    (note,) = told.notes
    assert what in note
    assert far.take() == b""


@pytest.mark.parametrize(
    ("parity", "wrong", "right"),
    [
        ("even", termios.PARENB | termios.PARODD, termios.PARENB),
        ("odd", termios.PARENB, termios.PARENB | termios.PARODD),
    ],
)
def test_a_parity_error_is_made_by_the_other_parity(slave, parity, wrong, right):
    """For one character the parity bit is turned over, then set back."""
    far, name = slave
    driver = Driver()
    with port(name, driver, Bus(baud=9600, parity=parity)) as transport:
        assert isinstance(transport, PutsFlaws)
        before = len(driver.parities)
        transport.put(0x41, Flaw.PARITY)
        assert driver.parities[before:] == [wrong, right]
        assert collect(far, 1) == b"A"
        assert transport.told().counts["settings_changed"] == 0
        with pytest.raises(LinkError, match="cannot send such a character"):
            transport.put(0x41, Flaw.FRAMING)


def test_an_address_is_the_parity_bit_held_at_mark(slave):
    """Nine data bits: space parity, and mark for the one character."""
    driver = Driver()
    with port(slave[1], driver, Bus(baud=9600, data_bits=9)) as transport:
        assert transport.can.ninth_bit
        space = termios.PARENB | CMSPAR
        assert driver.parities[-1] == space
        transport.put(0x41, Flaw.ADDRESS)
        assert driver.parities[-2:] == [space | termios.PARODD, space]
        assert collect(slave[0], 1) == b"A"


def test_a_port_is_had_back_by_its_name(tmp_path):
    """Lost, plugged in again under another number: the stable name finds it."""
    first, slave = os.openpty()
    name = tmp_path / "port"
    name.symlink_to(os.ttyname(slave))
    transport = make_transport(str(name), BUS, SystemClock())
    os.close(slave)
    assert isinstance(transport, Reopens)
    os.close(first)
    with pytest.raises(LinkError, match="link lost"):
        transport.read()
    assert not transport.reopen(0.1)
    with pytest.raises(LinkError, match="link lost"):
        transport.read()
    second, slave = os.openpty()
    name.unlink()
    name.symlink_to(os.ttyname(slave))
    assert transport.reopen(1.0)
    assert transport.write(memoryview(b"again")) == 5
    assert collect(rigs.Descriptor(second), 5) == b"again"
    assert transport.told().counts["reopened"] == 1
    transport.close()
    assert not transport.reopen(0.0)
    os.close(second)
    os.close(slave)


def test_a_character_that_is_not_made_is_refused(slave):
    """A driver that quietly drops parity by level sends no ninth bit: refused."""
    driver = Driver()
    driver.cflag_of = lambda cflag: cflag & ~CMSPAR
    with pytest.raises(LinkError, match=r"does not keep its settings: character"):
        port(slave[1], driver, Bus(baud=9600, data_bits=9))
