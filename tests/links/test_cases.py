"""Trouble that people report with ports, each with its right result."""

from __future__ import annotations

import os
import queue
import subprocess
import sys
import termios
import threading
import time
from pathlib import Path

import pytest
import serial
from links import rigs
from links.contract import collect, heard, pattern, settled
from links.driver import SEND_BREAK_CALLS, Driver

from bench.base.clock import JumpClock, SystemClock
from bench.base.errors import ExitCode, LinkError, UsageError
from bench.link.ports import LinkLostError, PortOptions, Rs485, make_transport
from bench.link.ports.line.plain import PlainTransport
from bench.link.ports.line.tty import TtyTransport
from bench.profile.model import Bus

CASES = Path(__file__).parent.parent / "cases"
BUS = Bus(baud=4_000_000)


def until_lost(transport):
    """Read until something is thrown."""
    while True:
        transport.read()
        transport.wait(0.05, room=False)


@pytest.fixture
def pair():
    """A port on the slave end of a pty, and its master end."""
    rig = rigs.port_on_pty()
    yield rig
    rig.close()


@pytest.fixture
def slave():
    """A pty: the far end's descriptor, and the name to open."""
    master, near = os.openpty()
    far = rigs.Descriptor(master)
    yield far, os.ttyname(near)
    os.close(near)
    far.lose()


def test_a01_accepted_is_exact_at_every_instant(pair):
    """A stalled reader: accepted is what can be read, and the rest goes on there."""
    sent = pattern(100_000)
    offered, at, got, end = memoryview(sent), 0, b"", time.monotonic() + 0.5
    while time.monotonic() < end:
        at += pair.transport.write(offered[at:])
        pair.transport.wait(0.05, room=True)
        assert pair.transport.told().counts["accepted"] == at
    assert 0 < at < len(sent)
    got = settled(pair.far)
    assert got == sent[:at]
    while at < len(sent):
        accepted = pair.transport.write(offered[at:])
        at += accepted
        got += collect(pair.far, accepted)
    assert got + settled(pair.far) == sent
    counts = pair.transport.told().counts
    assert counts["accepted"] == 100_000
    assert counts["short_writes"] > 0


def test_a02_a_full_loop_is_back_pressure():
    """5000 octets into an unread loop: 4096 accepted, then none, and nothing thrown."""
    with make_transport("loop://", BUS, SystemClock()) as transport:
        sent = pattern(5_000)
        assert transport.write(memoryview(sent)) == 4_096
        assert transport.write(memoryview(sent)[4_096:]) == 0
        assert transport.unsent() is None
        assert heard(transport, 4_096) == sent[:4_096]


def test_a02_a_burst_is_not_held_against_the_baud():
    """4000 octets in one burst at 9600 baud all come back."""
    with make_transport("loop://", Bus(baud=9600), SystemClock()) as transport:
        sent = pattern(4_000)
        assert transport.write(memoryview(sent)) == 4_000
        assert heard(transport, 4_000) == sent


def test_a02_a_late_reader_gets_everything():
    """1000 packets, the reader late: back-pressure meanwhile, nothing lost."""
    with make_transport("loop://", BUS, SystemClock()) as transport:
        sent, at, got = pattern(100_000), 0, b""
        while at < len(sent):
            accepted = transport.write(memoryview(sent)[at : at + 100])
            at += accepted
            if accepted < 100:
                got += heard(transport, 1)
        assert got + heard(transport, len(sent) - len(got)) == sent


def test_a02_a_full_queue_of_another_is_no_error():
    """Should somebody else fill the loop meanwhile, the count is still exact."""

    class Full:
        buffer_size, in_waiting, is_open = 4_096, 10, True

        def write(self, _):
            self.in_waiting += 7
            raise queue.Full

        def close(self):
            self.is_open = False

    port = Full()
    opener = lambda *_: port  # noqa: E731
    with PlainTransport("loop://", BUS, SystemClock(), opener=opener) as transport:
        assert transport.write(memoryview(bytes(100))) == 7


def test_a03_a_socket_tells_all_and_its_end():
    """100 octets in one go, then a close: 100 heard, lost within 0.2 s, no spinning."""
    with rigs.listener() as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        closed = []

        def far():
            connection, _ = server.accept()
            connection.sendall(bytes(range(100)))
            time.sleep(0.5)
            closed.append(time.monotonic())
            connection.close()

        thread = threading.Thread(target=far)
        thread.start()
        with make_transport(url, BUS, SystemClock()) as transport:
            got, busy = b"", time.process_time()
            one = None
            while len(got) < 100 or one is not None:
                one = transport.read()
                got += one.octets if one else b""
                transport.wait(0.2, room=False)
            with pytest.raises(LinkLostError, match="link lost"):
                until_lost(transport)
            assert time.monotonic() - closed[0] < 0.2
            assert got == bytes(range(100))
            assert time.process_time() - busy < 0.25
        thread.join()


@pytest.mark.parametrize("call", ["read", "write", "count", "drain", "wait"])
def test_a04_one_error_whatever_was_going_on(pair, call):
    """The far end hangs up: one `LinkError` within 0.2 s, by any call, ever after."""
    transport = pair.transport
    calls = {
        "read": transport.read,
        "write": lambda: transport.write(memoryview(b"x")),
        "count": transport.unsent,
        "drain": transport.drain,
        "wait": lambda: until_lost(transport),
    }
    before_ns = pair.clock.now_ns()
    pair.far.lose()
    begun = time.monotonic()
    with pytest.raises(LinkLostError) as first:
        calls[call]()
    assert time.monotonic() - begun < 0.2
    assert before_ns <= first.value.at_ns <= pair.clock.now_ns()
    assert first.value.exit_code == ExitCode.LINK
    for other in calls.values():
        with pytest.raises(LinkLostError) as again:
            other()
        assert again.value is first.value
    transport.close()


WORDINGS = [
    serial.SerialException(
        "ClearCommError failed (PermissionError(13, 'Access is denied.', None, 5))"
    ),
    serial.SerialException(
        "device reports readiness to read but returned no data "
        "(device disconnected or multiple access on port?)"
    ),
    OSError(5, "Input/output error"),
    termios.error(5, "Input/output error"),
    TypeError("'NoneType' object cannot be interpreted as an integer"),
    ValueError("file descriptor cannot be a negative integer (-1)"),
    serial.PortNotOpenError(),
]


class Broken:
    """A port that throws one thing by whatever is asked of it."""

    write_timeout = None

    def __init__(self, error):
        self._error = error

    def _throw(self, *_):
        raise self._error

    in_waiting = out_waiting = property(_throw)
    read = write = close = _throw


@pytest.mark.parametrize("error", WORDINGS, ids=lambda error: str(error)[:20])
@pytest.mark.parametrize("call", ["read", "write", "count", "wait"])
def test_a04_every_wording_is_a_lost_link(error, call):
    """What systems and library throw when a port goes is one thing; closing, none."""
    opener = lambda *_: Broken(error)  # noqa: E731
    transport = PlainTransport("COM7", BUS, SystemClock(), opener=opener)
    calls = {
        "read": transport.read,
        "write": lambda: transport.write(memoryview(b"x")),
        "count": transport.unsent,
        "wait": lambda: transport.wait(0.01, room=True),
    }
    with pytest.raises(LinkLostError) as first:
        calls[call]()
    assert str(error).split("(")[0].strip() in str(first.value)
    transport.close()
    transport.close()


def run_python(program: str, *modules: str, timeout: float = 20) -> str:
    """Run a program in a process of its own, with case modules to import."""
    lines = [f"import {module}" for module in modules]
    done = subprocess.run(
        [sys.executable, "-c", "\n".join([*lines, program])],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(CASES), *sys.path])},
        capture_output=True,
        text=True,
        timeout=timeout,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


STUCK = """
import os, time
from bench.base.clock import SystemClock
from bench.link.ports import make_transport
from bench.profile.model import Bus
master, slave = os.openpty()
transport = make_transport(os.ttyname(slave), Bus(baud=4_000_000), SystemClock())
transport.write(memoryview(bytes(1000)))
begun = time.monotonic()
transport.close()
print(time.monotonic() - begun < 1, *transport.told().notes)
"""


def test_a05_a_drain_that_never_returns_does_not_keep_the_end():
    """With every drain stuck for an hour the process ends, and says what is unsure."""
    begun = time.monotonic()
    told = run_python(STUCK, "A05_stuck_drain")
    assert time.monotonic() - begun < 10  # with the start of a Python
    assert told.strip() == "True drain timed out, up to 1000 octets unconfirmed"


SWEEP = """
import os
from bench.base.clock import SystemClock
from bench.link.ports import make_transport
from bench.profile.model import Bus
master, slave = os.openpty()
for baud in (115200, 250000, 3333333, 4000000, 12_000_000):
    with make_transport(os.ttyname(slave), Bus(baud=baud), SystemClock()) as transport:
        facts = transport.told().facts
        print(facts["baud_asked"], facts["baud_got"])
"""


def test_a06_odd_rates_open_on_new_c_libraries():
    """Four rungs and one more open, and the speed read back is the one asked."""
    told = run_python(SWEEP, "A06_new_libc")
    rows = [tuple(map(int, row.split())) for row in told.splitlines()]
    assert rows == [
        (baud, baud) for baud in (115200, 250000, 3333333, 4000000, 12_000_000)
    ]


def test_a07_all_256_values_pass_twice_both_ways(slave):
    """11h and 13h are octets like others, even on a port that had them at work."""
    far, name = slave
    before = os.open(name, os.O_RDWR | os.O_NOCTTY)
    settings = termios.tcgetattr(before)
    settings[0] |= termios.IXON | termios.IXOFF
    termios.tcsetattr(before, termios.TCSANOW, settings)
    every_value = bytes(range(256)) * 2
    with make_transport(name, BUS, SystemClock()) as transport:
        assert not termios.tcgetattr(before)[0] & (termios.IXON | termios.IXOFF)
        far.give(every_value)
        assert heard(transport, 512) == every_value
        assert transport.write(memoryview(every_value)) == 512
        assert collect(far, 512) == every_value
        assert transport.told().facts["flow_control"] == "off"
    os.close(before)


def test_a07_software_flow_control_is_refused_before_anything_opens():
    """The refusal names the option, and the octets that it would cost."""
    with pytest.raises(UsageError, match=r"xonxoff=true.*11h and 13h"):
        PortOptions.of({"xonxoff": "true"})
    assert PortOptions.of({"xonxoff": "off"}) == PortOptions()


def test_a07_a_port_that_keeps_it_on_is_refused(slave):
    """A driver that does not let go of flow control is no port for packets."""
    driver = Driver()
    real_set = driver._set

    def stubborn(fd, raw):
        raw[0:4] = (int.from_bytes(raw[0:4], "little") | termios.IXON).to_bytes(
            4, "little"
        )
        return real_set(fd, raw)

    driver._set = stubborn
    with pytest.raises(LinkError, match="keeps software flow control on"):
        TtyTransport(slave[1], BUS, SystemClock(), system=driver.system)


@pytest.mark.parametrize(
    ("asked_us", "word", "noted"),
    [(500, 1, True), (1000, 1, False), (1900, 2, True), (2500, 3, True)],
)
def test_a08_delays_are_rounded_up_and_said(slave, asked_us, word, noted):
    """The driver takes whole milliseconds: never less than asked, never silent."""
    driver = Driver()
    options = PortOptions(rs485=Rs485(before_ns=asked_us * 1000))
    args = (slave[1], BUS, SystemClock(), options)
    with TtyTransport(*args, system=driver.system) as transport:
        told = transport.told()
    assert driver.rs485[:3] == [0b011, word, 0]
    assert told.facts["rs485"]["before_ms"] == word
    assert any(f"{asked_us / 1000:g} ms asked" in note for note in told.notes) == noted


def test_a08_what_the_driver_made_of_it_is_told(slave):
    """A driver that clamps a delay, or leaves direction off, is quoted."""
    driver = Driver()
    real = driver.__call__

    def clamps(fd, request, raw):
        result = real(fd, request, raw)
        if driver.rs485[1] > 100:
            driver.rs485 = [0, 100, *driver.rs485[2:]]
        return result

    system = driver.system.__class__(ioctl=clamps, is_pseudo=lambda _: False)
    options = PortOptions(rs485=Rs485(before_ns=200_000_000))
    args = (slave[1], BUS, SystemClock(), options)
    with TtyTransport(*args, system=system) as transport:
        told = transport.told()
    assert told.facts["rs485"]["enabled"] is False
    assert "the driver does 100 ms" in " ".join(told.notes)
    assert "says that it is off" in " ".join(told.notes)


def test_a08_a_port_without_it_says_so(slave):
    """On a pty: one line, the exit code of a configuration error, and the way out."""
    options = PortOptions(rs485=Rs485(before_ns=500_000))
    with pytest.raises(UsageError, match="most adapters switch by themselves") as error:
        make_transport(slave[1], BUS, SystemClock(), options)
    assert error.value.exit_code == ExitCode.USAGE
    assert len(error.value.lines) == 1
    # Nothing was left behind: the port opens without.
    make_transport(slave[1], BUS, SystemClock()).close()


def test_a24_a_break_is_set_and_cleared_and_measured(slave):
    """100 us asked are 100 us, measured, not the quarter second of a timed call."""
    driver, clock = Driver(), JumpClock()
    args = (slave[1], Bus(baud=250_000, stop_bits=2), clock)
    with TtyTransport(*args, system=driver.system) as transport:
        assert transport.can.breaks
        assert transport.hold_low(100_000) == 100_000
        assert transport.told().facts["last_break_ns"] == 100_000
    assert driver.breaks == ["set", "clear"]
    assert not SEND_BREAK_CALLS & set(driver.requests)


def test_a24_real_breaks_last_at_least_as_long(slave):
    """On the system's clock a break is never shorter than asked."""
    driver, clock = Driver(), SystemClock()
    with TtyTransport(slave[1], BUS, clock, system=driver.system) as transport:
        for ns in (92_000, 1_000_000, 20_000_000):
            begun = time.monotonic_ns()
            low_ns = transport.hold_low(ns)
            assert ns <= low_ns <= time.monotonic_ns() - begun


@pytest.mark.parametrize(
    ("bus", "bits"),
    [
        (Bus(baud=250_000, stop_bits=2), 9),
        (Bus(baud=250_000, parity="even"), 10),
        (Bus(baud=250_000, parity="odd"), 9),
        (Bus(baud=250_000, data_bits=7), 8),
    ],
)
def test_a24_a_break_by_a_slow_octet(slave, bus, bits):
    """An octet 00h whose low bits last as long, at a speed that is then set back."""
    driver, clock = Driver(), JumpClock()
    options = PortOptions(break_by="octet")
    args = (slave[1], bus, clock, options)
    with TtyTransport(*args, system=driver.system) as transport:
        before = list(driver.speeds)
        low_ns = transport.hold_low(176_000)
        assert driver.speeds[len(before) :] == [bits * 10**9 // 176_000, 250_000]
        assert collect(slave[0], 1) == b"\0"
    assert 176_000 <= low_ns < 176_000 * 1.01
    assert not driver.breaks


class Windows:
    """A port as pyserial has one on a system without descriptors."""

    def __init__(self):
        self.sent, self.out_waiting, self.in_waiting = b"", 0, 0
        self.levels = []

    def write(self, octets):
        """Take a piece; nothing tells how much of one would be taken."""
        assert self.out_waiting == 0
        self.sent, self.out_waiting = self.sent + octets, len(octets)
        return len(octets)

    def leave(self):
        """Let what was taken go out."""
        self.out_waiting = 0

    @property
    def break_condition(self):
        """Whether the line is held low."""
        return self.levels[-1]

    @break_condition.setter
    def break_condition(self, low):
        assert self.out_waiting == 0
        self.levels.append(low)

    def close(self):
        """Close it."""


def test_a01_a_system_that_tells_no_count_gets_a_piece_at_a_time():
    """A piece follows when the one before has left: the count is exact, and noted."""
    port, sent = Windows(), pattern(5_000)
    transport = PlainTransport("COM7", BUS, JumpClock(), opener=lambda *_: port)
    at = 0
    while at < len(sent):
        accepted = transport.write(memoryview(sent)[at:])
        assert accepted > 0
        at += accepted
        assert transport.write(memoryview(sent)[at:]) == 0
        assert transport.unsent() == accepted
        port.leave()
        assert port.sent == sent[:at]
    assert "pieces go one by one" in " ".join(transport.told().notes)


def test_a24_a_break_waits_for_what_was_sent_before_but_not_for_ever():
    """Nothing is cut off by a break; a port that is stuck is said so."""
    port = Windows()
    transport = PlainTransport("COM7", BUS, JumpClock(), opener=lambda *_: port)
    assert transport.hold_low(100_000) == 100_000
    assert port.levels == [True, False]
    transport.write(memoryview(b"on the way"))
    with pytest.raises(LinkError, match="no break"):
        transport.hold_low(100_000)
    assert port.levels == [True, False]
