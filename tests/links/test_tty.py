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
from bench.link.ports import PortOptions, PutsFlaws, Reopens, make_transport
from bench.link.ports.line.tty import TtyTransport
from bench.profile.model import Bus

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
