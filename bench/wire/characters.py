"""Characters on a line: from octets to level changes, and back.

A character is a start bit, data bits low bit first, perhaps a parity bit, and stop
bits.  `write_levels` draws it; `CharacterReader` is the receiver of one wire.  It
samples in the middle of each bit, counted exactly from the character's own start edge,
so that neither rounding nor a long stream makes it drift.  A start bit that rises
before its middle was none.

Nine data bits are an octet and a mark: where the ninth is set, the octet is told with
`Flaw.ADDRESS`, unless something is wrong with its character.

A break is not a zero.  The line held low for longer than a character, or for as long as
a stated threshold, is a `LineBreak` with its measured length; held low for less, but
over the first stop bit, it is one character with a framing error.  A character whose
low stop bit begins a break is told as well.  Nothing is read before the line is high
again.  Like most receivers this one looks at the first stop bit only.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Literal

from bench.base.columns import Flaw
from bench.base.grid import Grid

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

Parity = Literal["none", "even", "odd", "mark", "space"]

NINTH_BIT = 0x100
"""Beside an octet in the nine data bits of a character: it marks an address."""


@dataclass(frozen=True, slots=True)
class CharacterFormat:
    """How a character looks on the line.

    Attributes:
        baud: Bits a second.
        data_bits: 5 to 9.
        parity: What the parity bit holds, if there is one.
        stop_bits: 1, 1.5 or 2.
    """

    baud: int
    data_bits: int = 8
    parity: Parity = "none"
    stop_bits: float = 1

    def __post_init__(self) -> None:
        if self.baud <= 0 or not 5 <= self.data_bits <= 9:
            raise ValueError(f"no line has {self.data_bits} bits at {self.baud} baud")
        if self.stop_bits not in (1, 1.5, 2):
            raise ValueError(f"{self.stop_bits} stop bits, expected 1, 1.5 or 2")

    @property
    def half_bits(self) -> int:
        """Half bits of a whole character, a whole number even with 1.5 stop bits."""
        return 2 * (1 + self.checked_bits) + round(2 * self.stop_bits)

    @property
    def checked_bits(self) -> int:
        """Data and parity bits."""
        return self.data_bits + (self.parity != "none")

    @property
    def character(self) -> Grid:
        """The time of a character, exactly: one step of this grid."""
        return Grid.of_rate(self.baud, self.half_bits, 2)

    @property
    def half_bit(self) -> Grid:
        """Half the time of a bit, exactly: one step of this grid."""
        return Grid.of_rate(self.baud, 1, 2)

    def parity_bit(self, octet: int) -> int:
        """The level of the parity bit of some data; 1 where there is none."""
        even = octet.bit_count() % 2
        levels = {"even": even, "odd": 1 - even, "space": 0}
        return levels.get(self.parity, 1)

    def levels(self, octet: int) -> tuple[int, ...]:
        """The levels of a character's bits: start, data low bit first, parity, stop.

        A ninth data bit is the `NINTH_BIT` beside the octet.  Of 1.5 stop bits both are
        listed, the second is half as long.
        """
        if not 0 <= octet < 1 << self.data_bits:
            raise ValueError(f"{octet} does not fit {self.data_bits} data bits")
        data = [(octet >> k) & 1 for k in range(self.data_bits)]
        parity = [] if self.parity == "none" else [self.parity_bit(octet)]
        stop = [1] if self.stop_bits == 1 else [1, 1]
        return (0, *data, *parity, *stop)


def write_levels(
    octets: Iterable[int],
    format: CharacterFormat,  # noqa: A002
    start_ns: int = 0,
) -> list[tuple[int, int]]:
    """Characters back to back as level changes (time in ns, level), from a line at 1.

    Each time is that of the exact grid, rounded down.
    """
    changes = []
    level = 1
    half_bit, half_bits = format.half_bit, format.half_bits
    for index, octet in enumerate(octets):
        for k, bit in enumerate(format.levels(octet)):
            if bit != level:
                steps = index * half_bits + 2 * k
                changes.append((half_bit.at(steps, start_ns), bit))
                level = bit
    return changes


# --- the receiver ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Character:
    """A character was received.

    Attributes:
        start_ns: Its start edge.
        octet: Its data bits as they were sampled, the lower eight of them.
        flaw: What is wrong with it, or its ninth bit; None for neither.
    """

    start_ns: int
    octet: int
    flaw: Flaw | None = None


@dataclass(frozen=True, slots=True)
class LineBreak:
    """The line was held low; the length is None if it still was at the end."""

    start_ns: int
    length_ns: int | None


@dataclass(frozen=True, slots=True)
class Idle:
    """The line was idle; the length is None if it still was at the end.

    From the end of the last stop bit, or from where the line rose, to a start bit.
    """

    start_ns: int
    length_ns: int | None


CharacterEvent = Character | LineBreak | Idle


class _State(Enum):
    REST = 1
    CHARACTER = 2
    LOW = 3  # a stop bit was missed: waits for the line to rise


class CharacterReader:
    """The receiver of one wire.

    `change`, `until` and `finish` only store; `events` says what they made certain.

    Args:
        format: What characters look like.
        break_ns: Least length of a break; longer than a character unless stated.
        idle_ns: Least length of an `Idle` worth telling; none is told unless stated.
        start_ns: When the line began to be watched.
        level: The line's level then; if it is 0, nothing is read before it rises.

    Raises:
        ValueError: If a break would be shorter than a character.
    """

    def __init__(
        self,
        format: CharacterFormat,  # noqa: A002
        *,
        break_ns: int | None = None,
        idle_ns: int | None = None,
        start_ns: int = 0,
        level: int = 1,
    ) -> None:
        character = format.character
        # Longer than a character by 1 ns at least: both its edges are rounded down, so
        # one of exactly a character can seem longer by almost that.
        longer_ns = -(-character.num // character.den) + 1
        if break_ns is not None and break_ns < character.at(1):
            raise ValueError(f"a break of {break_ns} ns is shorter than a character")
        self._format = format
        # Of all bits up to the first stop bit, from the start edge.
        self._middles_ns = [
            format.half_bit.at(2 * bit + 1) for bit in range(format.checked_bits + 2)
        ]
        self._break_ns = longer_ns if break_ns is None else break_ns
        self._idle_ns = idle_ns
        self._ready: deque[CharacterEvent] = deque()
        self._state = _State.REST if level else _State.LOW
        self._level = level
        self._now_ns = start_ns
        self._quiet_ns = start_ns  # since when the line has been idle
        self._fell_ns: int | None = None  # when it last fell
        self._start_ns = start_ns  # start edge of a character
        self._sampled = 0  # bits of it, the start bit included
        self._bits = 0  # what they were, without the start bit
        self._held = False  # low from a start edge to its stop bit

    # --- given

    def change(self, time_ns: int, level: int) -> None:
        """The line's level from an instant on; changes come in order of time.

        Raises:
            ValueError: If it lies before an instant that was given already.
        """
        self.until(time_ns)
        if level == self._level:
            return
        self._level = level
        if level == 0:
            self._fell_ns = time_ns
            if self._state is _State.REST:
                self._state = _State.CHARACTER
                self._start_ns = time_ns
                self._sampled = self._bits = 0
        elif self._state is _State.LOW:
            if self._fell_ns is not None:
                self._tell_low(time_ns, time_ns - self._fell_ns)
            self._state = _State.REST
            self._quiet_ns = time_ns
        elif self._sampled == 0:
            self._state = _State.REST  # too short for a start bit

    def until(self, time_ns: int) -> None:
        """No change comes before an instant any more; one at it still may.

        Raises:
            ValueError: If it lies before an instant that was given already.
        """
        if time_ns < self._now_ns:
            raise ValueError(f"{time_ns} ns comes after {self._now_ns} ns")
        self._now_ns = time_ns
        while self._state is _State.CHARACTER:
            if self._start_ns + self._middles_ns[self._sampled] >= time_ns:
                break
            self._sample()

    def finish(self, time_ns: int) -> None:
        """The line is watched no longer; what it is doing has no known length."""
        self.until(time_ns)
        if self._state is _State.REST:
            self._tell_idle(time_ns, None)
        elif self._state is _State.LOW and self._fell_ns is not None:
            self._tell_low(time_ns, None)

    def events(self) -> Iterator[CharacterEvent]:
        """What has become certain and was not told yet, in order."""
        while self._ready:
            yield self._ready.popleft()

    # --- made of it

    def _sample(self) -> None:
        """Take the level in the middle of the character's next bit."""
        bit = self._sampled
        self._sampled += 1
        if bit == 0:
            # Had the start bit risen before its middle, it would have been given up.
            self._tell_idle(self._start_ns, self._start_ns - self._quiet_ns)
        elif bit <= self._format.checked_bits:
            self._bits |= self._level << (bit - 1)
        elif self._level:
            self._state = _State.REST
            self._quiet_ns = self._format.character.at(1, self._start_ns)
            self._tell_character(self._parity_flaw())
        else:
            self._state = _State.LOW
            self._held = self._fell_ns == self._start_ns
            if not self._held:
                self._tell_character(Flaw.FRAMING)

    def _parity_flaw(self) -> Flaw | None:
        """What is wrong with a character whose stop bit is there."""
        if self._format.parity == "none":
            return None
        parity, data = divmod(self._bits, 1 << self._format.data_bits)
        return None if parity == self._format.parity_bit(data) else Flaw.PARITY

    def _tell_character(self, flaw: Flaw | None) -> None:
        data = self._bits % (1 << self._format.data_bits)
        if flaw is None and data & NINTH_BIT:
            flaw = Flaw.ADDRESS
        self._ready.append(Character(self._start_ns, data % NINTH_BIT, flaw))

    def _tell_low(self, until_ns: int, length_ns: int | None) -> None:
        """Tell what a low line was that outlasted a stop bit."""
        assert self._fell_ns is not None
        if until_ns - self._fell_ns >= self._break_ns:
            self._ready.append(LineBreak(self._fell_ns, length_ns))
        elif self._held:
            self._tell_character(Flaw.FRAMING)

    def _tell_idle(self, until_ns: int, length_ns: int | None) -> None:
        """Tell an idle time up to an instant, if it was long enough."""
        if self._idle_ns is not None and until_ns - self._quiet_ns >= self._idle_ns:
            self._ready.append(Idle(self._quiet_ns, length_ns))
