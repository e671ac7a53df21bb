"""What every transport keeps to, as functions that are given a rig.

A rig is a transport and what is at its other end.  Whoever writes a transport runs all
of `CONTRACT` over it; there is nothing here that knows any one of them.  Real time
passes, in bounds: these are promises about a real system.
"""

from __future__ import annotations

import json
import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from bench.base.errors import LinkError

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import SystemClock
    from bench.link.transport import Transport

PATIENCE_S = 3.0
"""Longer than any rig takes for anything here, so that a hang is a failure."""

LOST_WITHIN_S = 0.2


class Far(Protocol):
    """The other end."""

    def take(self) -> bytes:
        """What has arrived there by now; does not wait."""
        ...

    def give(self, octets: bytes) -> None:
        """Send something back; a few octets."""
        ...

    def lose(self) -> None:
        """Go away without a word, as an unplugged device does."""
        ...


@dataclass
class Rig:
    """A transport under test.

    Attributes:
        transport: The transport.
        far: Its other end.
        clock: The clock that the transport was given.
        holds: Whether what is accepted waits for a far end that does not read; a
            network does not.
        first_call: Which call is the first after that: read, write or count.
        loses: Whether a far end can go away.
        silent: Whether that is only told to who then sends something.
        close: Puts all of it away.
    """

    transport: Transport
    far: Far
    clock: SystemClock
    holds: bool = True
    loses: bool = True
    silent: bool = False
    first_call: str = "read"
    close: Callable[[], None] = lambda: None


class Echoing:
    """A far end that is the near end: what was sent comes back."""

    def __init__(self, transport: Transport, lose: Callable[[], None]) -> None:
        self._transport, self._lose = transport, lose

    def take(self) -> bytes:
        """See `Far`."""
        heard = self._transport.read()
        return heard.octets if heard else b""

    def give(self, octets: bytes) -> None:
        """See `Far`."""
        assert self._transport.write(memoryview(octets)) == len(octets)

    def lose(self) -> None:
        """See `Far`."""
        self._lose()


def pattern(size: int, first: int = 0) -> bytes:
    """Octets of which no two runs are alike: a counter of four octets each."""
    counter = np.arange((first + size) // 4 + 2, dtype=">u4").tobytes()
    return counter[first : first + size]


def collect(far: Far, size: int, within_s: float = PATIENCE_S) -> bytes:
    """Take at the far end until so many octets are there, or a while has passed."""
    got, end = b"", time.monotonic() + within_s
    while len(got) < size and time.monotonic() < end:
        if piece := far.take():
            got += piece
        else:
            time.sleep(0.001)
    return got


def settled(far: Far, quiet_s: float = 0.15) -> bytes:
    """Take at the far end until nothing has come for a while."""
    got, quiet_since = b"", time.monotonic()
    while time.monotonic() - quiet_since < quiet_s:
        if piece := far.take():
            got, quiet_since = got + piece, time.monotonic()
        else:
            time.sleep(0.001)
    return got


def heard(transport: Transport, size: int, within_s: float = PATIENCE_S) -> bytes:
    """Read until so many octets came, or a while has passed."""
    got, end = b"", time.monotonic() + within_s
    while len(got) < size and time.monotonic() < end:
        if one := transport.read():
            got += one.octets
        else:
            transport.wait(0.01, room=False)
    return got


def everything_arrives_in_order(rig: Rig) -> None:
    """Written piece by piece, going on where the count says: all of it, in order."""
    sent = pattern(60_000)
    offered = memoryview(sent)
    got, at, end = b"", 0, time.monotonic() + PATIENCE_S
    while at < len(sent) and time.monotonic() < end:
        # One at a time where nothing below holds what is not read.
        size = 7_001 if rig.holds else 1_000
        at += rig.transport.write(offered[at : at + size])
        if not rig.holds:
            got += collect(rig.far, at - len(got))
        got += rig.far.take()
        if at < len(sent):
            rig.transport.wait(0.005, room=True)
    assert at == len(sent)
    got += collect(rig.far, len(sent) - len(got))
    assert got == sent
    assert rig.transport.told().counts["accepted"] == len(sent)


def accepted_is_exact_under_back_pressure(rig: Rig) -> None:
    """With nobody reading, what was accepted is what can be read at the far end.

    Writes come to give 0 meanwhile, and then it goes on.
    """
    sent, at, idle = pattern(16_000_000), 0, 0
    offered = memoryview(sent)
    while idle < 20:
        accepted = rig.transport.write(offered[at : at + 50_000])
        at += accepted
        idle = idle + 1 if accepted == 0 else 0
        if accepted == 0:
            rig.transport.wait(0.01, room=True)
    assert 0 < at < len(sent)
    assert rig.transport.told().counts["short_writes"] >= 20
    assert settled(rig.far) == sent[:at]
    rig.transport.wait(0.1, room=True)
    more = rig.transport.write(offered[at : at + 100])
    assert more > 0
    assert collect(rig.far, more) == sent[at : at + more]


def what_is_given_is_heard_in_order(rig: Rig) -> None:
    """All that the far end gives is heard once, in order, at no future instant."""
    every_value = bytes(range(256)) * 2
    got, latest = b"", rig.clock.now_ns()
    rig.far.give(every_value)
    end = time.monotonic() + PATIENCE_S
    while len(got) < len(every_value) and time.monotonic() < end:
        rig.transport.wait(0.01, room=False)
        one = rig.transport.read()
        if one is None:
            continue
        assert latest <= one.at_ns <= rig.clock.now_ns()
        assert one.flaws == ()
        got, latest = got + one.octets, one.at_ns
    assert got == every_value


def reads_never_wait(rig: Rig) -> None:
    """A read with nothing there says so at once."""
    begun = time.monotonic()
    for _ in range(20):
        assert rig.transport.read() is None
    assert time.monotonic() - begun < 0.2


def waits_are_bounded(rig: Rig) -> None:
    """A wait for what does not come ends with its time, and with nothing thrown."""
    for seconds in (0.0, 0.02, 0.1, -1.0):
        begun = time.monotonic()
        rig.transport.wait(seconds, room=False)
        assert time.monotonic() - begun < max(seconds, 0) + 0.15


def a_wait_ends_when_something_came(rig: Rig) -> None:
    """Once something is there, a wait does not last out its time."""
    rig.far.give(b"\x55")
    begun = time.monotonic()
    rig.transport.wait(2.0, room=False)
    rig.transport.wait(0.0, room=True)
    assert time.monotonic() - begun < 1.0
    assert heard(rig.transport, 1) == b"\x55"


def a_wait_for_room_ends_when_there_is(rig: Rig) -> None:
    """With room there, a wait for room ends at once."""
    begun = time.monotonic()
    rig.transport.wait(2.0, room=True)
    assert time.monotonic() - begun < 0.5


def nothing_is_written_as_nothing(rig: Rig) -> None:
    """A write of no octets is accepted as such."""
    assert rig.transport.write(memoryview(b"")) == 0


def a_lost_far_end_is_one_error(rig: Rig) -> None:
    """Whatever is called when the far end goes away throws one `LinkError`, in time.

    From then on everything throws the same; a close throws nothing.
    """
    rig.transport.write(memoryview(b"before"))
    rig.far.lose()
    if rig.silent:
        rig.transport.write(memoryview(b"is anybody there?"))
    first = _lost_by(lambda: CALLS[rig.first_call](rig.transport))
    for call in CALLS.values():
        assert _lost_by(lambda call=call: call(rig.transport)) == first
    assert "link lost" in first
    assert "\n" not in first
    rig.transport.close()
    json.dumps(asdict(rig.transport.told()), allow_nan=False)


def closing_twice_is_no_more_than_once(rig: Rig) -> None:
    """A second close does nothing; what is closed throws `LinkError`.

    A close is through within a second.
    """
    rig.transport.write(memoryview(b"on the way"))
    begun = time.monotonic()
    rig.transport.close()
    assert time.monotonic() - begun < 1.0
    rig.transport.close()
    for call in CALLS.values():
        _lost_by(lambda call=call: call(rig.transport))


def what_it_tells_is_strict_json(rig: Rig) -> None:
    """Facts, counts and notes go into the ledger as they are, open and closed.

    Counts are whole numbers, or None for what is not observable.
    """
    for _ in range(2):
        told = rig.transport.told()
        json.dumps(asdict(told), allow_nan=False)
        assert told.facts["kind"]
        for count in told.counts.values():
            assert count is None or (type(count) is int and count >= 0)
        rig.transport.close()


def what_it_says_it_can_it_does(rig: Rig) -> None:
    """It holds the line low and tells unsent octets, or not, as `can` says."""
    transport = rig.transport
    assert (transport.unsent() is not None) == transport.can.tells_unsent
    if transport.can.breaks:
        assert transport.hold_low(2_000_000) >= 2_000_000
    else:
        message = _lost_by(lambda: transport.hold_low(2_000_000))
        assert "hold the line low" in message
        assert transport.read() is None  # refused, not lost


CALLS: dict[str, Callable[[Transport], Any]] = {
    "read": lambda transport: transport.read(),
    "write": lambda transport: transport.write(memoryview(b"x")),
    "count": lambda transport: transport.unsent(),
}


def _lost_by(call: Callable[[], Any]) -> str:
    """What a call throws in the end, within the time that a loss may take to tell."""
    end = time.monotonic() + LOST_WITHIN_S
    while time.monotonic() < end:
        try:
            call()
        except LinkError as error:
            return str(error)
        time.sleep(0.001)
    raise AssertionError(f"nothing was thrown within {LOST_WITHIN_S} s")


CONTRACT = (
    everything_arrives_in_order,
    accepted_is_exact_under_back_pressure,
    what_is_given_is_heard_in_order,
    reads_never_wait,
    waits_are_bounded,
    a_wait_ends_when_something_came,
    a_wait_for_room_ends_when_there_is,
    nothing_is_written_as_nothing,
    a_lost_far_end_is_one_error,
    closing_twice_is_no_more_than_once,
    what_it_tells_is_strict_json,
    what_it_says_it_can_it_does,
)
