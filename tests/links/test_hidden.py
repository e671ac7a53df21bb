"""The package imports, and every URL runs, where nothing POSIX is to be had."""

from __future__ import annotations

import os
import subprocess
import sys

PROGRAM = """
import sys, threading
import serial.rfc2217, serial.urlhandler.protocol_loop  # a system's own pyserial
from serial.tools import list_ports

HIDDEN = {"termios", "fcntl", "pty", "tty", "resource", "grp", "pwd", "posix_ipc"}
for name in HIDDEN:
    sys.modules.pop(name, None)

class Hides:
    def find_spec(self, name, path=None, target=None):
        if name in HIDDEN:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Hides())
import os
del os.openpty
from bench.base.clock import SystemClock
from bench.base.errors import LinkError
import bench.cli
import bench.link.ports.line.tty
from bench.link.ports import make_transport
from bench.profile.model import Bus
from links import contract
BUS, clock = Bus(baud=4_000_000), SystemClock()
for name in HIDDEN:
    assert name not in sys.modules, name

import socket
server = socket.create_server(("127.0.0.1", 0))
def echo():
    far, _ = server.accept()
    with far:
        while octets := far.recv(4096):
            far.sendall(octets)
threading.Thread(target=echo, daemon=True).start()
url = f"socket://127.0.0.1:{server.getsockname()[1]}"

class Ports:
    pass

from links.port_server import PortServer, listener
ports = listener()
served = PortServer(ports)
served.start()
remote = f"rfc2217://127.0.0.1:{ports.getsockname()[1]}"

for name in ("loop", "loop://", url, remote):
    with make_transport(name, BUS, clock) as transport:
        sent = contract.pattern(3_000)
        at = 0
        while at < 3_000:
            at += transport.write(memoryview(sent)[at:])
        assert contract.heard(transport, 3_000) == sent, name
        if name == remote:
            transport.switch("dtr", on=False)
        print(name.split(":")[0], transport.told().facts["kind"])

datagrams = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
datagrams.bind(("127.0.0.1", 0))
name = f"udp:127.0.0.1:{datagrams.getsockname()[1]}"
with make_transport(name, BUS, clock) as transport:
    transport.write(memoryview(b"packet"))
    print("udp", datagrams.recv(100).decode())
datagrams.close()

for name in ("pty", "COM77"):
    try:
        make_transport(name, BUS, clock)
    except LinkError as error:
        print(error)
server.close()
served.stop()
served.join(3)
ports.close()
"""


def test_all_that_is_no_posix_runs_with_it_hidden():
    """Loop, URLs and datagrams run; what needs POSIX says so in one line."""
    here = os.path.dirname(os.path.dirname(__file__))  # noqa: PTH120
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM],
        env={**os.environ, "PYTHONPATH": os.pathsep.join([here, *sys.path])},
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    links = ["loop loop", "loop url", "socket url", "rfc2217 url", "udp packet"]
    assert lines[:5] == links
    assert lines[5].startswith("this system has no pty")
    assert lines[6].startswith("no such port: COM77")
    assert len(lines) == 7
