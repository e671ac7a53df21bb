"""The loop: octets, breaks and flaws come back, bounded; it can be unplugged."""

from __future__ import annotations

import pytest

from bench.base.clock import JumpClock
from bench.base.columns import Flaw
from bench.base.errors import LinkError
from bench.link.ports import LinkLostError, PutsFlaws, Reopens
from bench.link.ports.loop import MOST_UNREAD, LoopTransport


def test_octets_breaks_and_flaws_come_back_in_order():
    """One read gives all, with the index of each flaw, at the clock's instant."""
    clock = JumpClock(5)
    loop = LoopTransport(clock)
    assert isinstance(loop, PutsFlaws)
    assert loop.write(memoryview(b"ab")) == 2
    assert loop.hold_low(88_000) == 88_000
    loop.put(0x41, Flaw.ADDRESS)
    loop.put(0x42, Flaw.FRAMING)
    loop.write(memoryview(b"c"))
    heard = loop.read()
    assert heard is not None
    assert heard.octets == b"ab\0ABc"
    assert heard.flaws == ((2, Flaw.BREAK), (3, Flaw.ADDRESS), (4, Flaw.FRAMING))
    assert heard.at_ns == 88_005
    assert loop.read() is None


def test_it_holds_so_much_and_no_more():
    """Unread, it takes its bound; read, it takes more."""
    loop = LoopTransport(JumpClock())
    assert loop.write(memoryview(bytes(10_000))) == MOST_UNREAD
    assert loop.write(memoryview(b"x")) == 0
    assert loop.told().counts["short_writes"] == 2
    loop.read()
    assert loop.write(memoryview(b"x")) == 1


def test_waiting_lets_the_clock_go_on_only_for_nothing():
    """With something there, or room asked for and there, a wait takes no time."""
    clock = JumpClock()
    loop = LoopTransport(clock)
    loop.wait(1.0, room=True)
    assert clock.now_ns() == 0
    loop.wait(1.0, room=False)
    assert clock.now_ns() == 10**9
    loop.write(memoryview(b"x"))
    loop.wait(1.0, room=False)
    assert clock.now_ns() == 10**9


def test_unplugged_it_is_lost_and_can_be_had_back():
    """One error with its instant until it is plugged in again; closed, never."""
    clock = JumpClock(7)
    loop = LoopTransport(clock)
    assert isinstance(loop, Reopens)
    loop.write(memoryview(b"gone"))
    loop.unplug()
    with pytest.raises(LinkLostError) as lost:
        loop.read()
    assert (lost.value.at_ns, lost.value.cause) == (7, "unplugged")
    assert loop.reopen(0.5)
    assert loop.read() is None
    loop.close()
    assert not loop.reopen(0.5)
    with pytest.raises(LinkError, match="link closed"):
        loop.read()
