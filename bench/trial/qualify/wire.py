"""A line with nobody on it: what goes in at one end, and what is heard at the other."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.link.transport import Transport

SLICE_S = 0.005
"""Longest wait: a request to stop is seen that soon."""


class Stopped(Exception):  # noqa: N818 (nothing is wrong)
    """Somebody said stop."""


@dataclass(slots=True)
class Mark:
    """One read: when it returned, and how many octets had come by then."""

    at_ns: int
    octets: int


@dataclass(slots=True)
class Wire:
    """Both ends.

    Attributes:
        out: What is written to.
        ear: What is read from; the same unless a second port hears the line.
        clock: The bench's clock.
        stop: Asked often: the number of a signal that came, or None.
        marks: Every read of the step that is under way.
        got: What has been heard in it.
    """

    out: Transport
    ear: Transport
    clock: Clock
    stop: Callable[[], int | None]
    marks: list[Mark] = field(default_factory=list)
    got: bytearray = field(default_factory=bytearray)

    def begin(self) -> None:
        """A new step: what was heard before it is forgotten."""
        self.marks = []
        self.got = bytearray()

    def hear(self) -> bool:
        """Take what has come by now; whether anything had.

        Raises:
            Stopped: If somebody said stop.
            LinkError: If the link is lost.
        """
        if self.stop() is not None:
            raise Stopped
        heard = self.ear.read()
        if self.ear is not self.out:
            self.out.read()  # its own echo must not fill it up
        if heard is None or not heard.octets:
            return False
        self.got += heard.octets
        self.marks.append(Mark(heard.at_ns, len(self.got)))
        return True

    def wait(self, until_ns: int, *, room: bool = False) -> None:
        """A slice of a wait at most, until there may be something to do."""
        left_ns = until_ns - self.clock.now_ns()
        seconds = min(SLICE_S, max(0, left_ns) / NS_PER_S)
        end = self.out if room else self.ear
        end.wait(seconds, room=room)

    def hear_for(self, ns: int, octets: int | None = None) -> None:
        """Hear until so much time has passed, or so many octets have come."""
        until_ns = self.clock.now_ns() + ns
        while octets is None or len(self.got) < octets:
            heard = self.hear()
            if self.clock.now_ns() >= until_ns:
                return
            if not heard:
                self.wait(until_ns)

    def send(self, octets: bytes, ns: int) -> int:
        """Hand over octets within some time; how many were accepted."""
        until_ns = self.clock.now_ns() + ns
        view, sent = memoryview(octets), 0
        while sent < len(view) and self.clock.now_ns() <= until_ns:
            accepted = self.out.write(view[sent:])
            sent += accepted
            if not accepted and not self.hear():
                self.wait(until_ns, room=True)
        return sent

    def refuse_noise(self, ns: int) -> None:
        """Listen first.

        Raises:
            LinkError: If the line is not quiet.
        """
        self.begin()
        # What lay in a buffer when the port was opened is older than this.
        self.ear.read()
        self.hear_for(ns, octets=1)
        if self.got:
            count = f"{len(self.got)} octets within {ns / 1e6:.0f} ms"
            mend = "take every node and every sender off this line"
            fault = Fault("line is not quiet", count, "nothing", self.ear.name, mend)
            raise LinkError(fault)
