"""The far side of a link: a pty and a TCP port, opened by plain means.

Real ports, and a little real time: every wait is bounded by `SOON_S`.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import termios
import time
from contextlib import contextmanager

import pytest
from unit.cli.calls import environment

from bench.base.errors import UsageError
from bench.link.far.pseudo import FarPty
from bench.link.far.tcp import FarTcp

SOON_S = 5.0
"""Longer than any wait here takes on a busy machine."""


class PtyVisitor:
    """Opens a pty as a file."""

    def __init__(self, far):
        self.number = os.open(far.where, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def send(self, octets):
        """Write."""
        assert os.write(self.number, octets) == len(octets)

    def take(self):
        """What is there to read."""
        try:
            return os.read(self.number, 1 << 16)
        except BlockingIOError:
            return b""

    def go(self):
        """Close it."""
        os.close(self.number)


class TcpVisitor:
    """Connects to a port."""

    def __init__(self, far):
        host, port = far.where.removeprefix("socket://").rsplit(":", 1)
        self.socket = socket.create_connection((host.strip("[]"), int(port)), SOON_S)
        self.socket.setblocking(False)

    def send(self, octets):
        """Write."""
        self.socket.sendall(octets)

    def take(self):
        """What is there to read."""
        try:
            return self.socket.recv(1 << 16)
        except BlockingIOError:
            return b""

    def go(self):
        """Close it."""
        self.socket.close()


@pytest.fixture(params=["pty", "tcp"])
def far_and_visitor(request):
    """A far side, and how it is visited."""
    far = FarPty() if request.param == "pty" else FarTcp(0)
    yield far, PtyVisitor if request.param == "pty" else TcpVisitor
    far.close()


def until(far, holds, hear=True):
    """Serve until something holds; all that was read."""
    read = bytearray()
    end = time.monotonic() + SOON_S
    while not holds(read):
        assert time.monotonic() < end, "it never came"
        far.wait(0.01, hear=hear, tell=False)
        if hear:
            read += far.read(1 << 16)
    return bytes(read)


def taken(visitor, count):
    """So many octets that a visitor reads."""
    octets, end = b"", time.monotonic() + SOON_S
    while len(octets) < count:
        assert time.monotonic() < end, "it never came"
        octets += visitor.take()
    return octets


EVERY_OCTET = bytes(range(256))


def test_octets_go_both_ways_as_they_are(far_and_visitor):
    """All 256 octets, unchanged, and none of them comes back."""
    far, visit = far_and_visitor
    assert not far.open
    visitor = visit(far)
    until(far, lambda _: far.open)
    visitor.send(EVERY_OCTET)
    assert until(far, lambda read: len(read) >= 256) == EVERY_OCTET
    assert far.write(EVERY_OCTET) == 256
    assert taken(visitor, 256) == EVERY_OCTET
    far.wait(0.02, hear=True, tell=False)
    assert far.read(100) == b""
    visitor.go()


def test_one_after_another(far_and_visitor):
    """Who goes is noticed and read to the end; the next one finds nothing of his."""
    far, visit = far_and_visitor
    for count in range(1, 4):
        visitor = visit(far)
        until(far, lambda _: far.open)
        assert far.openings == count
        assert visitor.take() == b""
        far.write(b"for you alone")
        visitor.send(b"last words")
        visitor.go()
        assert until(far, lambda _: not far.open) == b"last words"
        assert far.write(b"to nobody") == 0


def test_who_does_not_read_holds_nobody_up(far_and_visitor):
    """Writing stops at what fits, and never waits."""
    far, visit = far_and_visitor
    visitor = visit(far)
    until(far, lambda _: far.open)
    began = time.monotonic()
    written = 0
    while (count := far.write(bytes(65536))) and written < 1 << 28:
        written += count
    assert 1000 < written < 1 << 28
    assert time.monotonic() - began < SOON_S
    visitor.go()
    until(far, lambda _: not far.open)


def test_nothing_is_read_while_there_is_no_room(far_and_visitor):
    """A wait that is not to hear takes its time, though octets are there."""
    far, visit = far_and_visitor
    visitor = visit(far)
    until(far, lambda _: far.open)
    visitor.send(b"early")
    began = time.monotonic()
    far.wait(0.05, hear=False, tell=False)
    assert time.monotonic() - began >= 0.045
    visitor.go()
    far.wait(0.01, hear=False, tell=False)
    assert far.open  # his last words are still unread
    assert until(far, lambda _: not far.open) == b"early"


# --- pty ------------------------------------------------------------------------------


def test_a_pty_stays_raw_after_somebody_spoilt_it():
    """A visitor who switches echo and line editing on does it for himself only."""
    far = FarPty()
    visitor = PtyVisitor(far)
    until(far, lambda _: far.open)
    modes = termios.tcgetattr(visitor.number)
    modes[1] |= termios.OPOST | termios.ONLCR
    modes[3] |= termios.ECHO | termios.ICANON
    termios.tcsetattr(visitor.number, termios.TCSANOW, modes)
    visitor.go()
    until(far, lambda _: not far.open)
    visitor = PtyVisitor(far)
    until(far, lambda _: far.open)
    visitor.send(b"\n")
    assert until(far, lambda read: len(read) > 0) == b"\n"
    far.write(b"\r")
    assert taken(visitor, 1) == b"\r"
    assert far.read(100) == b""
    visitor.go()
    far.close()


EXCLUSIVE = """
import fcntl, os, sys, termios
from bench.link.far.pseudo import FarPty
if os.geteuid() == 0:  # whom no lock stops
    os.setgid(65534)
    os.setuid(65534)
far = FarPty()
for _ in range(2):
    visitor = os.open(far.where, os.O_RDWR | os.O_NOCTTY)
    fcntl.ioctl(visitor, termios.TIOCEXCL)
    while not far.open:
        far.wait(0.01, hear=True, tell=False)
    os.write(visitor, b"mine alone")
    os.close(visitor)
    while far.open:
        far.wait(0.01, hear=True, tell=False)
        sys.stdout.write(far.read(100).decode())
"""


def test_a_visitor_who_let_nobody_else_in():
    """He is killed before he unlocks the pty, and the next one still gets in."""
    words = [sys.executable, "-c", EXCLUSIVE]
    ran = subprocess.run(
        words, env=environment(), capture_output=True, encoding="utf-8", timeout=SOON_S
    )
    assert (ran.stdout, ran.stderr) == ("mine alone" * 2, "")


def test_a_link_to_a_pty(tmp_path):
    """It stands where it was asked for, and goes with the pty."""
    path = tmp_path / "bus"
    far = FarPty(str(path))
    assert far.where == str(path)
    visitor = PtyVisitor(far)
    visitor.go()
    far.close()
    assert not path.is_symlink()
    far.close()


@contextmanager
def _bound():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        one.listen()
        yield one.getsockname()[1]


def test_what_stands_at_a_path_is_kept(tmp_path):
    """A file is not replaced, a link that leads nowhere is; somebody else's stays."""
    path = tmp_path / "bus"
    path.write_text("mine", "utf-8")
    with pytest.raises(UsageError, match="no link can stand here"):
        FarPty(str(path))
    assert path.read_text("utf-8") == "mine"
    path.unlink()
    path.symlink_to(tmp_path / "gone")
    far = FarPty(str(path))
    path.unlink()
    path.write_text("somebody else's", "utf-8")
    far.close()
    assert path.exists()
    with pytest.raises(UsageError, match="No such file"):
        FarPty(str(tmp_path / "nowhere" / "bus"))


# --- TCP ------------------------------------------------------------------------------


def test_a_second_visitor_is_turned_away():
    """One at a time: the second connection ends at once, the first goes on."""
    far = FarTcp(0)
    first = TcpVisitor(far)
    until(far, lambda _: far.open)
    second = TcpVisitor(far)
    until(far, lambda _: far.turned_away == 1)
    second.socket.setblocking(True)
    second.socket.settimeout(SOON_S)
    assert second.socket.recv(1) == b""
    first.send(b"still here")
    assert until(far, lambda read: len(read) >= 10) == b"still here"
    assert far.openings == 1
    for one in (first, second):
        one.go()
    far.close()


def test_it_listens_on_the_loopback_address_only():
    """Unless another address is named nobody else can reach it."""
    far = FarTcp(0)
    assert far.where.startswith("socket://127.0.0.1:")
    assert far._listener.getsockname()[0] == "127.0.0.1"
    far.close()


def test_a_port_that_is_taken_is_refused():
    """One line, with the port."""
    with _bound() as port, pytest.raises(UsageError, match=str(port)):
        FarTcp(port)
    with pytest.raises(UsageError, match="cannot listen"):
        FarTcp(0, "no.such.host.invalid")
