"""A program of the user's: bus octets on its standard input, what it says comes back.

A host build of the firmware, for instance.  Its pipes never block the bench; what it
writes to its standard error is kept and told; when it ends, that is a lost link with
its exit code.  At the close its input ends, and it has a stated time to end by itself
before it is told to, and then made to.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import subprocess
from typing import IO, TYPE_CHECKING, Any

from bench.base.errors import Fault, LinkError, UsageError
from bench.base.grid import NS_PER_S
from bench.link.ports.base import BaseTransport, said
from bench.link.ports.system.descriptors import await_ready, read_some, write_some
from bench.link.transport import Can, Heard

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.base.clock import Clock

GRACE_S = 0.3
"""Time to end by itself once its input has ended, and again once it was told to; both
together stay below the second in which a stop has to be through."""

KEPT_WORDS = 4096
"""Octets of its standard error that are kept, the latest."""

SLICE_S = 0.002
"""How often is looked where pipes cannot be waited on."""


class ChildTransport(BaseTransport):
    """A program and its pipes.

    Args:
        command: Its command line, split as a shell would, without a shell.
        clock: Whom to ask for the time.

    Raises:
        UsageError: If the command line is none.
        LinkError: If it cannot be started.
    """

    can = Can()

    def __init__(self, command: str, clock: Clock) -> None:
        super().__init__(f"child:{command}", clock)
        self._program = _start(command)
        self._pipes = [_opened(self._program.stdin)]
        self._pipes += [
            _opened(p) for p in (self._program.stdout, self._program.stderr)
        ]
        self._in, self._out, self._words = (pipe.fileno() for pipe in self._pipes)
        self._said = b""
        self._words_open = True
        try:
            for fd in (self._in, self._out, self._words):
                os.set_blocking(fd, False)
        except (AttributeError, OSError) as error:
            self._close(lost=True)
            raise LinkError(
                Fault(
                    "this system has no pipes that do not block",
                    mend="let the program listen on a socket:// URL instead",
                )
            ) from error

    def _write(self, octets: memoryview) -> int:
        self._listen()
        try:
            return write_some(self._in, octets)
        except OSError as error:
            raise EOFError(self._end(said(error))) from error

    def _read(self) -> Heard | None:
        self._listen()
        try:
            octets = read_some(self._out)
        except (EOFError, OSError) as error:
            raise EOFError(self._end("it closed its output")) from error
        return Heard(octets, self._clock.now_ns()) if octets else None

    def _wait(self, seconds: float, room: bool) -> None:
        if os.name == "posix":
            await_ready(seconds, [self._out], [self._in] if room else [])
        else:
            self._clock.sleep(min(seconds, SLICE_S))

    def _unsent(self) -> None:
        if self._program.poll() is not None:
            raise EOFError(self._end("it ended"))

    def _close(self, *, lost: bool) -> None:  # noqa: ARG002
        with contextlib.suppress(OSError):
            self._pipes[0].close()
        for force in (None, self._program.terminate, self._kill):
            if force is not None:
                force()
            if self._ended_within(GRACE_S):
                break
        self._listen()
        for pipe in self._pipes[1:]:
            pipe.close()

    def _listen(self) -> None:
        """Take what it said on its standard error, so that it never waits for us."""
        while self._words_open:
            try:
                words = read_some(self._words)
            except (EOFError, OSError, ValueError):
                self._words_open = False
                return
            if words is None:
                return
            self._said = (self._said + words)[-KEPT_WORDS:]

    def _end(self, otherwise: str) -> str:
        """How it ended, in a sentence."""
        if not self._ended_within(GRACE_S / 3):
            return otherwise
        self._listen()
        code = self._program.returncode
        how = f"ended with exit code {code}" if code >= 0 else f"died by signal {-code}"
        last = self._said.decode("utf-8", "replace").strip().splitlines()
        return f"the program {how}" + (f': "{last[-1][:200]}"' if last else "")

    def _ended_within(self, seconds: float) -> bool:
        """Whether it ends by then; its pipes are kept empty meanwhile."""
        deadline_ns = self._clock.now_ns() + round(seconds * NS_PER_S)
        while self._program.poll() is None:
            if self._clock.now_ns() >= deadline_ns:
                return False
            self._listen()
            if self._closed:
                with contextlib.suppress(OSError, EOFError):
                    while read_some(self._out):
                        pass
            self._clock.sleep(SLICE_S)
        return True

    def _kill(self) -> None:
        """Make it end, and what it started; it has not been waited for yet."""
        with contextlib.suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(self._program.pid, signal.SIGKILL)
            else:
                self._program.kill()

    def _facts(self) -> Mapping[str, Any]:
        return {
            "kind": "child",
            "command": self._name.removeprefix("child:"),
            "process": self._program.pid,
            "exit_code": self._program.poll(),
            "standard_error": self._said.decode("utf-8", "replace"),
        }


def _start(command: str) -> subprocess.Popen[bytes]:
    """Start it, in a session of its own: Ctrl-C is for the bench to obey first."""
    try:
        words = shlex.split(command)
    except ValueError as error:
        raise UsageError(Fault("not a command line", command, said(error))) from None
    if not words:
        raise UsageError(
            Fault("no command to start", "child:", "child:COMMAND", mend="name one")
        )
    pipe = subprocess.PIPE
    try:
        return subprocess.Popen(  # noqa: S603 - the user's own command line
            words,
            stdin=pipe,
            stdout=pipe,
            stderr=pipe,
            bufsize=0,
            start_new_session=True,
        )
    except FileNotFoundError:
        fault = Fault("no such program", words[0], mend="is the path right?")
        raise LinkError(fault) from None
    except PermissionError:
        fault = Fault("not allowed to start", words[0], mend="chmod +x it?")
        raise LinkError(fault) from None
    except OSError as error:
        fault = Fault("cannot start", f"{words[0]} ({said(error)})")
        raise LinkError(fault) from None


def _opened(pipe: IO[bytes] | None) -> IO[bytes]:
    assert pipe is not None
    return pipe
