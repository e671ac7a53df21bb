"""Trouble that people report with ports, through the command line and to the verdict.

What transports make of each is tested beside this; here it is what a user is told, what
the ledger holds, and the exit code.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import sys
import termios
import threading
import time
from pathlib import Path

import pytest
import serial
from links import rigs
from links.driver import Driver
from unit.cli.calls import call

from bench.api import load_profile
from bench.ledger import read_run
from bench.link.ports.line.plain import PlainTransport
from bench.link.ports.line.tty import TtyTransport
from bench.traffic.safe import safe_frame
from bench.traffic.schedule import Schedule

CASES = Path(__file__).parent.parent / "cases"

SMALL = (
    "bus.baud=1 Mbaud",
    "output.devices=1",
    "output.lanes=4",
    "output.register_bits=176",
    "output.latch_gap=20 us",
    "traffic.frame_rate=50 Hz",
    "traffic.foreign.share=0 %",
)
SETS = [word for text in SMALL for word in ("--set", text)]


def line_of(packets, *overrides, safe=True):
    """What a stream with seed 5 puts on the line, the safe level at its end."""
    profile = load_profile("causeway", (*SMALL, *overrides))
    octets, schedule = b"", Schedule(profile, seed=5, packets=packets)
    while (chunk := schedule.take(1 << 20)) is not None:
        octets += chunk[0].octets.tobytes()
    return octets + (safe_frame(profile, 0, 0).octets.tobytes() if safe else b"")


class Reader(threading.Thread):
    """Somebody at the far end of a pty."""

    def __init__(self, *, idle_s=0.0, most=None):
        super().__init__(daemon=True)
        self.master, self.near = os.openpty()
        self.name_of_port = os.ttyname(self.near)
        self.idle_s, self.most = idle_s, most
        self.octets = b""
        self.hung_up_s = None
        self.going = True

    def run(self):
        """Read, a while after the first octet, up to so many; then hang up."""
        if self.idle_s:
            select.select([self.master], [], [], 30)
            time.sleep(self.idle_s)
        os.set_blocking(self.master, False)
        while self.going and (self.most is None or len(self.octets) < self.most):
            self.take()
            time.sleep(0.001)
        if self.most is not None:
            self.close()

    def take(self):
        """What is there."""
        with contextlib.suppress(BlockingIOError):
            self.octets += os.read(self.master, 1 << 16)

    def close(self):
        """Hang up."""
        if self.hung_up_s is None:
            os.close(self.near)
            os.close(self.master)
            self.hung_up_s = time.monotonic()

    def end(self):
        """Read the rest, and put it all away."""
        self.going = False
        self.join()
        if self.hung_up_s is None:
            until = time.monotonic() + 0.2
            while time.monotonic() < until:
                self.take()
            self.close()


def streamed(tmp_path, link, *words, packets=40, profile="causeway"):
    """A stream's exit code, what it says, and the lines on standard error."""
    done = call(
        *("stream", profile, *(SETS if profile == "causeway" else ())),
        *("--packets", str(packets), "--seed", "5", "--link", link, *words),
        *("--json", "--quiet", "--logs", str(tmp_path / "logs")),
    )
    assert "Traceback" not in done.stderr
    assert done.exception is None or isinstance(done.exception, SystemExit)
    told = json.loads(done.stdout) if done.stdout else None
    return done.exit_code, told, done.stderr


@pytest.fixture
def instead(monkeypatch):
    """Puts another transport where a port would be opened."""

    def put(make):
        monkeypatch.setattr("bench.link.ports.make_transport", make)

    return put


def test_a01_nobody_reads_for_a_while(tmp_path):
    """One back-pressure event, nothing lost or sent twice, exact counts; void."""
    reader = Reader(idle_s=0.6)
    reader.start()
    code, told, _ = streamed(
        *(tmp_path, reader.name_of_port, "--set", "traffic.frame_rate=200 Hz"),
        packets=800,
    )
    reader.end()
    counts = told["link"]["counts"]
    assert (code, told["verdict"]) == (4, "VOID")
    assert reader.octets == line_of(800, "traffic.frame_rate=200 Hz")
    assert counts["offered"] == counts["accepted"]
    assert told["link"]["back_pressure"]["times"] >= 1
    assert any("took nothing for longer" in text for text in told["void"])


@pytest.mark.parametrize("baud", ["1 Mbaud", "9600 baud"])
def test_a02_a_library_loop_is_a_link_like_others(tmp_path, baud):
    """All of it comes back, however the baud and the loop's 4096 octets compare."""
    packets = 120 if baud == "1 Mbaud" else 4
    code, told, _ = streamed(
        *(tmp_path, "loop://", "--set", f"bus.baud={baud}"),
        *("--set", "traffic.frame_rate=2 Hz" if packets == 4 else "bus.baud=1 Mbaud"),
        packets=packets,
    )
    assert code == 4  # nobody sees nodes there
    counts = told["link"]["counts"]
    assert counts["accepted"] == counts["offered"] > 0
    assert counts["heard"] >= counts["accepted"]
    assert told["lost"] is None


def test_a03_a_socket_that_tells_all_and_closes(tmp_path):
    """100 octets heard, the end within 0.2 s of the close, no spinning; exit code 3."""
    closed = []
    with rigs.listener() as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"

        def far():
            connection, _ = server.accept()
            connection.sendall(bytes(range(100)))
            time.sleep(0.5)
            closed.append(time.monotonic())
            connection.close()

        thread = threading.Thread(target=far)
        thread.start()
        began, busy = time.monotonic(), time.process_time()
        done = call(
            *("listen", "causeway", *SETS, "--link", url, "--for", "3s", "--json"),
            *("--quiet", "--logs", str(tmp_path / "logs")),
        )
        busy = time.process_time() - busy
        thread.join()
    told = json.loads(done.stdout)
    assert done.exit_code == 3
    assert told["characters"] == 100
    assert "link lost" in told["link_lost"]
    assert time.monotonic() - began < 3
    assert busy < 1.5  # the loading of modules included


def test_a04_a_plug_that_is_pulled(tmp_path):
    """One event, the ledger whole, what was carried judged; exit code 3."""
    reader = Reader(most=5_000)
    reader.start()
    code, told, err = streamed(tmp_path, reader.name_of_port, packets=4_000)
    over_s = time.monotonic()
    reader.end()
    assert code == 3
    assert told["lost"].startswith("link lost: /dev/pts/")
    assert told["link"]["lost"]["cause"].startswith("link lost")
    assert told["link"]["safe_level"]["sent"] is False
    assert over_s - reader.hung_up_s < 1.0
    assert err.count("link lost") <= 1
    kept = read_run(Path(told["run"]))
    assert kept.verdict is not None
    assert not kept.faults
    counted = sum(record["link"]["accepted"] for record in kept.intervals.records)
    assert counted == told["link"]["counts"]["accepted"] >= 5_000


class Pulled:
    """A port of another system whose adapter goes away after some writes."""

    write_timeout = None
    out_waiting = in_waiting = 0

    def __init__(self, error):
        self._error, self._writes = error, 0

    def write(self, octets):
        """Take some pieces, then throw."""
        self._writes += 1
        if self._writes > 3:
            raise self._error
        return len(octets)

    def read(self, _):
        """Nothing comes."""
        return b""

    def close(self):
        """Close it."""


def test_a04_the_wording_of_another_system(tmp_path, instead):
    """What is thrown there is a lost link here as well."""
    error = serial.SerialException(
        "ClearCommError failed (PermissionError(13, 'Access is denied.', None, 5))"
    )
    port = Pulled(error)
    instead(
        lambda name, bus, clock, options=None: PlainTransport(
            name, bus, clock, options, opener=lambda *_: port
        )
    )
    allowed = ("--allow-bright", "--allow-flashing")
    code, told, _ = streamed(tmp_path, "COM7", *allowed)
    assert code == 3
    assert "ClearCommError failed" in told["lost"]


def test_a05_a_drain_that_never_returns(tmp_path, monkeypatch):
    """It ends in time, says up to how many octets are not confirmed; all is kept."""
    monkeypatch.setattr(termios, "tcdrain", lambda _: time.sleep(30))
    reader = Reader()
    reader.start()
    code, told, _ = streamed(tmp_path, reader.name_of_port, packets=20)
    reader.end()
    accepted = told["link"]["counts"]["accepted"]
    assert code == 4
    assert told["link"]["undrained"] >= accepted
    noted = [text for text in told["notes"] if text.startswith("drain timed out")]
    assert len(noted) == 1
    assert not read_run(Path(told["run"])).faults


@pytest.mark.parametrize("baud", [115_200, 250_000, 3_333_333, 4_000_000])
def test_a06_odd_rates_on_new_c_libraries(tmp_path, monkeypatch, baud):
    """A library call that refuses odd speeds is not needed: they are read back."""
    monkeypatch.setattr(termios, "tcsetattr", termios.tcsetattr)
    monkeypatch.syspath_prepend(str(CASES))
    sys.modules.pop("A06_new_libc", None)
    __import__("A06_new_libc")
    reader = Reader()
    reader.start()
    words = ["--set", f"bus.baud={baud} baud", "--set", "traffic.frame_rate=5 Hz"]
    code, told, _ = streamed(tmp_path, reader.name_of_port, *words, packets=4)
    reader.end()
    assert code == 4
    facts = told["link"]["transport"]["facts"]
    assert facts["baud_asked"] == facts["baud_got"] == baud


def test_a07_all_values_are_heard(tmp_path):
    """Each of the 256 values twice, 11h and 13h among them."""
    reader = Reader()
    every_value = bytes(range(256)) * 2

    def far():
        time.sleep(0.3)
        os.write(reader.master, every_value)

    threading.Thread(target=far, daemon=True).start()
    record = tmp_path / "bus.rec"
    done = call(
        *("listen", "causeway", *SETS, "--link", reader.name_of_port, "--for", "1s"),
        *("--json", "--quiet", "--record", str(record)),
        *("--logs", str(tmp_path / "logs")),
    )
    reader.close()
    told = json.loads(done.stdout)
    assert told["characters"] == told["recording"]["characters"] == 512


def test_a07_software_flow_control_is_refused(tmp_path):
    """Before anything opens, naming the option and what it would cost."""
    code, told, err = streamed(tmp_path, "/dev/no-such", "--port", "xonxoff=true")
    assert (code, told) == (2, None)
    assert err.count("\n") == 1
    assert "xonxoff=true" in err
    assert "11h and 13h" in err
    assert not (tmp_path / "logs").exists()


def test_a08_no_rs485_on_this_port(tmp_path):
    """A plain message with the way out; the exit code of a wrong option."""
    reader = Reader()
    words = ["--port", "rs485=on", "--port", "rs485-before=500 us"]
    code, told, err = streamed(tmp_path, reader.name_of_port, *words)
    reader.close()
    assert (code, told) == (2, None)
    assert err.count("\n") == 1
    assert "most adapters switch by themselves" in err


def test_a08_delays_are_told_in_the_verdict(tmp_path, instead):
    """Half a millisecond was asked, the driver does a whole one: both are said."""
    driver, reader = Driver(), Reader()
    instead(
        lambda name, bus, clock, options=None: TtyTransport(
            name, bus, clock, options, system=driver.system
        )
    )
    reader.start()
    words = ["--port", "rs485=on", "--port", "rs485-before=500 us"]
    code, told, _ = streamed(tmp_path, reader.name_of_port, *words, packets=8)
    reader.end()
    assert code == 4
    assert told["link"]["transport"]["facts"]["rs485"]["before_ms"] == 1
    assert any("0.5 ms asked" in note for note in told["notes"])


def test_a24_real_breaks_are_measured(tmp_path, instead):
    """A packet begins with a break: set and cleared, and as long as it must be."""
    driver, reader = Driver(), Reader()
    instead(
        lambda name, bus, clock, options=None: TtyTransport(
            name, bus, clock, options, system=driver.system
        )
    )
    reader.start()
    code, told, _ = streamed(tmp_path, reader.name_of_port, packets=4, profile="dmx512")
    reader.end()
    breaks = told["link"]["breaks"]
    assert code == 4
    assert breaks["count"] >= 4
    assert breaks["least_ns"] >= 92_000  # ANSI E1.11: a sender's least break
    assert driver.breaks[:2] == ["set", "clear"]
    assert len(driver.breaks) >= 2 * breaks["count"]
