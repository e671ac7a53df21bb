"""A pseudo-terminal that other programs open as they would a serial port.

The line discipline is raw before anybody comes, and again whenever somebody has gone:
otherwise octets would be replaced on their way, and sightings echoed back as traffic.
Who comes and goes is seen by the hang-up that the system reports while nobody has the
port open.  Somebody who goes and comes within one wait is not noticed.

Only POSIX systems have pseudo-terminals.
"""

from __future__ import annotations

import errno
import os
import time
from contextlib import suppress
from pathlib import Path

from bench.base.errors import Fault, LinkError, UsageError

try:
    import select
    import termios
    import tty
except ImportError:  # not a POSIX system
    HAVE_PTY = False
else:
    HAVE_PTY = hasattr(os, "openpty") and hasattr(select, "poll")

NOBODY_S = 0.005
"""How often somebody who comes is looked for: the hang-up cannot be waited on."""

_MOST_READ = 1 << 16


class FarPty:
    """The far side of a pty.

    Attributes:
        where: The path that others open.
        open: Whether somebody has it open, or what he wrote is still unread.
        openings: How often somebody came.
    """

    def __init__(self, path: str | None = None) -> None:
        """Make it.

        Args:
            path: Where a symbolic link to it is to stand.

        Raises:
            UsageError: If there are no ptys here, or something else stands at `path`.
        """
        if not HAVE_PTY:
            mend = "serve on a port: --tcp PORT"
            raise UsageError(Fault("no pseudo-terminals on this system", mend=mend))
        self._link: Path | None = None
        self._make()
        self.where = self._device
        self.open = False
        self.openings = 0
        if path is not None:
            try:
                self._point(Path(path))
            except UsageError:
                os.close(self._master)
                raise

    def wait(self, seconds: float, *, hear: bool, tell: bool) -> None:
        """See `bench.trial.serve.run.Far`."""
        if not self.open:
            self._look(seconds)
        elif hear or tell:
            self._poll(seconds, hear=hear, tell=tell)
        else:
            time.sleep(seconds)

    def read(self, most: int) -> bytes:
        """See `bench.trial.serve.run.Far`."""
        try:
            octets = os.read(self._master, min(most, _MOST_READ))
        except BlockingIOError:
            return b""
        except OSError as error:
            if error.errno != errno.EIO:
                raise self._lost(error) from error
            octets = b""
        if not octets and self.open:
            self._gone()
        return octets

    def write(self, octets: bytes) -> int:
        """See `bench.trial.serve.run.Far`."""
        if not self.open:
            return 0  # it would wait for the next one
        try:
            return os.write(self._master, octets)
        except BlockingIOError:
            return 0
        except OSError as error:
            if error.errno == errno.EIO:
                return 0  # somebody has just gone; the next read says so
            raise self._lost(error) from error

    def close(self) -> None:
        """Let go of it, and take the link to it away."""
        if self._link is not None:
            with suppress(OSError):
                if str(self._link.readlink()) == self._device:
                    self._link.unlink()
            self._link = None
        with suppress(OSError):
            os.close(self._master)

    def _make(self) -> None:
        self._master, slave = os.openpty()
        self._device = os.ttyname(slave)
        tty.setraw(slave)
        os.close(slave)  # from here on there is a hang-up while nobody is there
        os.set_blocking(self._master, False)

    def _make_anew(self) -> None:
        """Take another pty: the last visitor left this one closed to all others.

        It mostly gets the same name, since that of the old one is free by then.
        """
        os.close(self._master)
        self._make()
        if self._link is None:
            self.where = self._device
            return
        with suppress(OSError):
            self._link.unlink()
            self._link.symlink_to(self._device)

    def _point(self, path: Path) -> None:
        """Put a link to it at a path; one that an earlier pty left may go."""
        try:
            if path.is_symlink() and not path.exists():
                path.unlink()
            path.symlink_to(self._device)
        except OSError as error:
            what = error.strerror or str(error)
            mend = "take away what stands there, or name another path"
            fault = Fault("no link can stand here", str(path), where="--pty", mend=mend)
            if not isinstance(error, FileExistsError):
                fault = Fault(f"no link can stand here: {what}", str(path), "", "--pty")
            raise UsageError(fault) from error
        self._link = path
        self.where = str(path)

    def _look(self, seconds: float) -> None:
        """Look whether somebody has come, until he has or time has passed."""
        left = seconds
        while not self._came():
            if left <= 0:
                return
            time.sleep(min(left, NOBODY_S))
            left -= NOBODY_S
        self.open = True
        self.openings += 1

    def _came(self) -> bool:
        events = self._events(select.POLLIN, 0)
        return not events & select.POLLHUP or bool(events & select.POLLIN)

    def _poll(self, seconds: float, *, hear: bool, tell: bool) -> None:
        wanted = (select.POLLIN if hear else 0) | (select.POLLOUT if tell else 0)
        if self._events(wanted, seconds) & select.POLLHUP and not hear:
            time.sleep(seconds)  # gone, and what he wrote cannot be taken in yet

    def _events(self, wanted: int, seconds: float) -> int:
        poll = select.poll()
        poll.register(self._master, wanted)
        ready = poll.poll(1000 * seconds)
        return ready[0][1] if ready else 0

    def _gone(self) -> None:
        """Nobody is there any more; what he left unread goes, and the line is raw."""
        self.open = False
        try:
            slave = os.open(self._device, os.O_RDWR | os.O_NOCTTY)
        except OSError:
            self._make_anew()
            return
        with suppress(termios.error):
            termios.tcflush(slave, termios.TCIFLUSH)
            tty.setraw(slave)
        os.close(slave)

    def _lost(self, error: OSError) -> LinkError:
        what = error.strerror or str(error)
        return LinkError(Fault("pseudo-terminal lost", what, where=self.where))
