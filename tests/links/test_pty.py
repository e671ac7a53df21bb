"""A pty that the bench makes: who opens it, leaves it, and comes again."""

from __future__ import annotations

import os
import tty

import pytest
import serial
from links.contract import heard

from bench.base.clock import SystemClock
from bench.base.errors import LinkError, UsageError
from bench.link.ports import LinkLostError, make_transport
from bench.profile.model import Bus

BUS = Bus(baud=4_000_000)


@pytest.fixture
def pty():
    """A pty of the bench."""
    transport = make_transport("pty", BUS, SystemClock())
    yield transport
    transport.close()


def opened(path):
    """The far end, raw."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    return fd


def test_before_anybody_came_there_is_no_room_and_no_loss(pty):
    """Octets are not poured into a pty that nobody reads: none is accepted."""
    assert not pty.attended
    assert pty.write(memoryview(b"nobody")) == 0
    assert pty.read() is None
    pty.wait(0.03, room=True)
    far = opened(pty.path)
    pty.wait(1.0, room=True)
    assert pty.attended
    assert pty.write(memoryview(b"somebody")) == 8
    assert os.read(far, 100) == b"somebody"
    os.close(far)


def test_nothing_is_echoed_or_edited(pty):
    """A far end that sets nothing gets no octet back, and none changed: it is raw."""
    far = os.open(pty.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    every_value = bytes(range(256))
    os.write(far, every_value)
    assert heard(pty, 256) == every_value
    with pytest.raises(BlockingIOError):
        os.read(far, 1)
    os.close(far)


def test_what_was_written_before_leaving_is_heard_first(pty):
    """A far end that writes and leaves at once is heard, and only then lost."""
    far = opened(pty.path)
    os.write(far, b"last words")
    os.close(far)
    assert heard(pty, 10) == b"last words"
    with pytest.raises(LinkLostError, match="far end closed"):
        pty.read()


def test_it_is_had_back_when_opened_again(pty):
    """Close and reopen of the far end is survived by who asks for it."""
    far = opened(pty.path)
    pty.write(memoryview(b"x"))
    os.close(far)
    with pytest.raises(LinkLostError):
        pty.read()
    assert not pty.reopen(0.03)
    far = opened(pty.path)
    assert pty.reopen(1.0)
    assert pty.write(memoryview(b"again")) == 5
    assert os.read(far, 10).endswith(b"again")
    assert pty.told().counts["reopened"] == 1
    os.close(far)


def test_the_far_ends_speed_is_told(pty):
    """Nothing obeys it, but a mismatch of the ends can be seen."""
    with serial.Serial(pty.path, 115_200):
        assert pty.told().facts["far_baud"] == 115_200
    pty.close()
    assert pty.told().facts["path"] == pty.path


def test_a_link_leads_to_it_and_goes_with_it(tmp_path):
    """`pty:PATH` puts a link there; a stale one is replaced, anything else refused."""
    place = tmp_path / "bus"
    place.symlink_to(tmp_path / "gone")
    transport = make_transport(f"pty:{place}", BUS, SystemClock())
    assert str(place.readlink()) == transport.path
    with pytest.raises(UsageError, match="something is there already"):
        make_transport(f"pty:{place}", BUS, SystemClock())
    transport.close()
    assert not place.is_symlink()
    with pytest.raises(UsageError, match="cannot put a link there"):
        make_transport(f"pty:{tmp_path}/no/bus", BUS, SystemClock())
    with pytest.raises(LinkError, match="link closed"):
        transport.read()
