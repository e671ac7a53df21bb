"""A pty made by the bench: any program opens the other end as if it were a port.

The bench holds the master end.  Octets are only taken while somebody has the other end
open: before that there is no room, afterwards the link is lost, and it can be had back
when it is opened again.  Nothing below keeps a bit rate, breaks and line errors cannot
pass, and how much the far end has not read is not told.

A pty is a POSIX system's; who has it open is asked of Linux, where the hang-up is told
as long as nobody has.
"""

from __future__ import annotations

import contextlib
import os
import select
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LinkError, UsageError
from bench.base.grid import NS_PER_S
from bench.link.ports.base import BaseTransport, optional
from bench.link.ports.system.descriptors import await_ready, read_some, write_some
from bench.link.ports.system.terminal import Terminal
from bench.link.transport import Heard

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.base.clock import Clock

SLICE_S = 0.01
"""How often is looked whether somebody opened the other end."""


class PtyTransport(BaseTransport):
    """The bench's end of a pty.

    Args:
        clock: Whom to ask for the time.
        link: Where to put a symbolic link to the other end; "" for none.

    Attributes:
        path: The other end, for another program to open.

    Raises:
        LinkError: If this system has none.
        UsageError: If something else is where the link is to be.
    """

    def __init__(self, clock: Clock, link: str = "") -> None:
        super().__init__(f"pty:{link}" if link else "pty", clock)
        tty = optional("tty")
        if tty is None or not hasattr(os, "openpty"):
            raise LinkError(
                Fault(
                    "this system has no pty",
                    mend="use loop, or a socket:// URL between two programs",
                )
            )
        self._fd, far = os.openpty()
        self.path = os.ttyname(far)
        try:
            # Raw from the first octet on: a terminal at rest echoes and edits.
            tty.setraw(far)
            os.set_blocking(self._fd, False)
            self._link = _put_link(link, self.path) if link else None
        except BaseException:
            os.close(self._fd)
            raise
        finally:
            # From now on the hang-up says that nobody has the other end open.
            os.close(far)
        self._terminal = Terminal(self._fd)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._met = False
        self._reopened = 0

    @property
    def attended(self) -> bool:
        """Whether somebody has the other end open now."""
        return not self._hung_up()

    def reopen(self, seconds: float) -> bool:
        """See `Reopens`: waits until somebody opens the other end again."""
        if self._closed:
            return False
        deadline_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        while self._hung_up():
            left_ns = deadline_ns - self._clock.now_ns()
            if left_ns <= 0:
                return False
            self._clock.sleep(min(SLICE_S, left_ns / NS_PER_S))
        self._found_again()
        self._reopened += 1
        return True

    def _hung_up(self) -> bool:
        return any(events & select.POLLHUP for _, events in self._poll.poll(0))

    def _attended(self) -> bool:
        """Whether there is somebody; raises if there was and is no more."""
        if not self._hung_up():
            self._met = True
            return True
        if self._met:
            raise EOFError("the far end closed")
        return False

    def _write(self, octets: memoryview) -> int:
        return write_some(self._fd, octets) if self._attended() else 0

    def _read(self) -> Heard | None:
        try:
            octets = read_some(self._fd)
        except OSError:
            # What was written before a hang-up has been read by now.
            if self._attended():
                return None
            octets = None
        if octets is None:
            self._attended()
            return None
        self._met = True
        return Heard(octets, self._clock.now_ns())

    def _wait(self, seconds: float, room: bool) -> None:
        if self._attended():
            await_ready(seconds, [self._fd], [self._fd] if room else [])
            return
        deadline_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        while (left_ns := deadline_ns - self._clock.now_ns()) > 0:
            self._clock.sleep(min(SLICE_S, left_ns / NS_PER_S))
            if self._attended():
                return

    def _unsent(self) -> None:
        self._attended()

    def _close(self, *, lost: bool) -> None:  # noqa: ARG002
        self._last_speed = self._far_speed()
        if self._link is not None:
            with contextlib.suppress(OSError):
                if self._link.readlink() == Path(self.path):
                    self._link.unlink()
        os.close(self._fd)

    def _far_speed(self) -> int | None:
        """The speed that the far end set, which nothing here obeys."""
        if self._closed and hasattr(self, "_last_speed"):
            return self._last_speed
        try:
            settings = self._terminal.settings()
        except OSError:
            return None
        return settings.speed if self._terminal.tells_speed else None

    def _facts(self) -> Mapping[str, Any]:
        return {
            "kind": "pty",
            "path": self.path,
            "link": str(self._link) if self._link else None,
            "far_baud": self._far_speed(),
        }

    def _counts(self) -> Mapping[str, int | None]:
        unseen = dict.fromkeys(("framing", "parity", "overrun", "breaks"))
        return {**unseen, "reopened": self._reopened}


def _put_link(link: str, path: str) -> Path:
    """Put a symbolic link to the other end; one that leads nowhere is replaced."""
    place = Path(link)
    try:
        if place.is_symlink() and not place.exists():
            place.unlink()
        place.symlink_to(path)
    except FileExistsError:
        raise UsageError(
            Fault("something is there already", link, mend="name another path")
        ) from None
    except OSError as error:
        raise UsageError(
            Fault("cannot put a link there", f"{link} ({error.strerror})")
        ) from None
    return place
