"""What all transports share: one border where foreign errors end, counts, an end.

Whatever the system or a library throws when the far end goes away (`OSError` and its
many children, `termios.error`, which is none of them, an end of file) becomes one
`LinkLostError` at this border.  It keeps its instant and its first cause, and every
later call raises the same again.  A subclass moves octets and may let anything of the
kind escape.
"""

from __future__ import annotations

import importlib
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any, Literal, Protocol, runtime_checkable

from bench.base.errors import BenchError, Fault, LinkError
from bench.link.transport import Can, Heard, Told

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import TracebackType

    from bench.base.clock import Clock
    from bench.base.columns import Flaw


class LinkLostError(LinkError):
    """A link that was there and is gone.

    Attributes:
        at_ns: Instant of the clock at which it was noticed.
        cause: What the system said first.
    """

    def __init__(self, name: str, cause: str, at_ns: int) -> None:
        self.at_ns = at_ns
        self.cause = cause
        mend = "see to cable, supply and far end, then start again"
        super().__init__(Fault("link lost", f"{name} ({cause})", mend=mend))


@runtime_checkable
class Reopens(Protocol):
    """A transport that can be had back after it was lost."""

    def reopen(self, seconds: float) -> bool:
        """Wait for the far end to come back, and take it up again.

        What was under way when it was lost stays lost.

        Returns:
            Whether it is back.
        """
        ...


@runtime_checkable
class PutsFlaws(Protocol):
    """A transport that can send a character with something wrong on purpose."""

    def put(self, octet: int, flaw: Flaw) -> None:
        """Send one character, everything before it sent.

        Args:
            octet: Its data bits.
            flaw: `PARITY`, or `ADDRESS` for a set ninth bit.

        Raises:
            LinkError: If this transport cannot do this one, or is lost.
        """
        ...


@runtime_checkable
class SwitchesLines(Protocol):
    """A port whose DTR and RTS can be switched while traffic runs; others lack this.

    The system carries it out at once, and not in order with octets that wait in the
    driver: the line is ahead of whatever was written before it by as much as is queued
    below.  At most that much (`unsent` at the character pitch, and what an adapter
    holds beyond it, which nobody tells); on an adapter on USB the line may also be late
    by one of its transfers, a millisecond or more.
    """

    def switch(self, line: Literal["dtr", "rts"], *, on: bool) -> None:
        """Switch a modem line; returns once the system has been told.

        Raises:
            LinkError: If this line is the driver's to switch, or the link is lost.
        """
        ...


@runtime_checkable
class Drains(Protocol):
    """A transport whose system tells when everything has left."""

    def drain(self) -> int:
        """Wait, bounded, until everything accepted is on the wire.

        Returns:
            Up to how many octets may not be; 0 if the system says that all are.

        Raises:
            LinkError: If the link is lost.
        """
        ...


def optional(module: str) -> Any:
    """A module that not every system has; None where it lacks."""
    try:
        return importlib.import_module(module)
    except ImportError:
        return None


def foreign() -> tuple[type[BaseException], ...]:
    """What a system throws when a far end is gone."""
    termios = optional("termios")
    own = (OSError, EOFError)
    return (*own, termios.error) if termios else own


FOREIGN = foreign()


class BaseTransport(ABC):
    """A transport but for moving the octets.

    A subclass defines `_write`, `_read`, `_wait` and `_close`, and more where it can.
    """

    can = Can()

    def __init__(self, name: str, clock: Clock) -> None:
        self._name = name
        self._clock = clock
        self._gone: LinkError | None = None
        self._closed = False
        self._accepted = self._heard = self._short = 0
        self._notes: list[str] = []
        self._border = _Border(self)

    @property
    def name(self) -> str:
        """See `Transport`."""
        return self._name

    def write(self, octets: memoryview) -> int:
        """See `Transport`."""
        with self._border:
            accepted = self._write(octets) if len(octets) else 0
        self._accepted += accepted
        self._short += accepted < len(octets)
        return accepted

    def read(self) -> Heard | None:
        """See `Transport`."""
        with self._border:
            heard = self._read()
        if heard is not None:
            self._heard += len(heard.octets)
        return heard

    def wait(self, seconds: float, *, room: bool) -> None:
        """See `Transport`."""
        with self._border:
            self._wait(max(0.0, seconds), room)

    def unsent(self) -> int | None:
        """See `Transport`."""
        with self._border:
            return self._unsent()

    def hold_low(self, ns: int) -> int:
        """See `Transport`."""
        with self._border:
            return self._hold_low(ns)

    def told(self) -> Told:
        """See `Transport`."""
        counts = {
            "accepted": self._accepted,
            "heard": self._heard,
            "short_writes": self._short,
        }
        return Told(self._facts(), {**counts, **self._counts()}, tuple(self._notes))

    def close(self) -> None:
        """See `Transport`."""
        if self._closed:
            return
        self._closed = True
        try:
            self._close(lost=self._gone is not None)
        except FOREIGN as error:  # it is let go of either way
            self._note(f"closing it said: {said(error)}")
        if self._gone is None:
            self._gone = LinkError(
                Fault("link closed", self._name, mend="open it again")
            )

    def __enter__(self) -> BaseTransport:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # -- what a subclass does -------------------------------------------------

    @abstractmethod
    def _write(self, octets: memoryview) -> int: ...

    @abstractmethod
    def _read(self) -> Heard | None: ...

    @abstractmethod
    def _wait(self, seconds: float, room: bool) -> None: ...

    @abstractmethod
    def _close(self, *, lost: bool) -> None: ...

    def _unsent(self) -> int | None:
        return None

    def _hold_low(self, ns: int) -> int:  # noqa: ARG002
        raise LinkError(
            Fault(
                "this link cannot hold the line low",
                self._name,
                "a serial port, or the loop",
                mend="choose a framing without breaks, or another link",
            )
        )

    def _facts(self) -> Mapping[str, Any]:
        return {}

    def _counts(self) -> Mapping[str, int | None]:
        return {}

    # -- what a subclass uses -------------------------------------------------

    def _note(self, *sentences: str) -> None:
        """Keep sentences for the reader, each once."""
        for sentence in sentences:
            if sentence not in self._notes:
                self._notes.append(sentence)

    def _lose(self, cause: str) -> LinkError:
        """The error of this link from now on."""
        if self._gone is None:
            self._gone = LinkLostError(self._name, cause, self._clock.now_ns())
        return self._gone

    def _found_again(self) -> None:
        """The far end is back: calls are obeyed again."""
        self._gone = None


class _Border:
    """Foreign errors end here.  One for a transport, made once: it is crossed often."""

    __slots__ = ("_owner",)

    def __init__(self, owner: BaseTransport) -> None:
        self._owner = owner

    def __enter__(self) -> None:
        if self._owner._gone is not None:
            raise self._owner._gone.with_traceback(None)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if isinstance(error, FOREIGN) and not isinstance(error, BenchError):
            raise self._owner._lose(said(error)) from error


def said(error: BaseException) -> str:
    """What an error says of itself, in one line."""
    text = " ".join(str(error).split())
    return text or type(error).__name__
