"""What nodes hear instead of what was sent.

Up to an upset they hear the line as it was sent, and again once their receivers are in
step with the sender; what lies between is worked out level by level.  Characters that
are heard have places of their own; each knows the place on the line as it was sent that
was there when it started, so that whatever a node says of it can be told apart from
what was sent, and put beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import cycle, islice
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import Flaw, Line
from bench.wire.characters import NINTH_BIT, CharacterReader, write_levels
from bench.wire.waveform import (
    Pen,
    Track,
    catch_up,
    characters_of,
    heard,
    joined,
    level_at,
    turned_over,
    window,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from bench.profile.model import Bus
    from bench.wire.waveform import Change, Changes, Part

STEP_MOST = 1 << 17
"""Characters among which a receiver is waited for to be in step: 0.3 s at 4 Mbaud."""


@dataclass(frozen=True, slots=True)
class Heard:
    """What nodes hear.

    Attributes:
        track: The characters, in places of their own.
        first: The first that was not heard as it was sent.
        between: int64, the places on the line as it was sent of all those.
        again: The place there of the character after them.
        from_ns: When the upset begins.
        good_ns: From when on the line is as it was sent.
        in_step_ns: The first start bit from then on that receivers take for one; None
            if there was none.
        in_step: Characters from `good_ns` to there.
        reset_ns: When the nodes begin anew; None if they do not.
        off: Whether they were off before that.
    """

    track: Track
    first: int
    between: NDArray[np.int64]
    again: int
    from_ns: int
    good_ns: int
    in_step_ns: int | None
    in_step: int = 0
    reset_ns: int | None = None
    off: bool = False

    @property
    def step_at(self) -> int:
        """The first character that was heard in step again."""
        return self.first + len(self.between)

    def sent_at(self, places: NDArray[np.int64]) -> NDArray[np.int64]:
        """The places on the line as it was sent of some that were heard."""
        aside = places - self.first
        late = aside - len(self.between) + self.again
        at = np.where(aside < 0, places, late)
        inside = (aside >= 0) & (aside < len(self.between))
        at[inside] = self.between[aside[inside]]
        return at


class Hearing:
    """The receivers of a bus, which all hear the same."""

    def __init__(self, track: Track, bus: Bus) -> None:
        """Listen to a line.

        Args:
            track: The line as it was sent.
            bus: Its characters.
        """
        self._track = track
        self._bus = bus
        self._form = characters_of(bus)
        self._pen = Pen(bus)

    # --- as it was sent, or not at all

    def undisturbed(self) -> Heard:
        """Everything as it was sent."""
        return self._made(heard([]), 0, 0, (0, 0))

    def silent(self, from_ns: int, good_ns: int) -> Heard:
        """Nothing of what starts from an instant until another."""
        first, again = (self._track.started_by(ns) for ns in (from_ns, good_ns))
        return self._made(heard([]), first, again, (from_ns, good_ns))

    # --- receivers that go on

    def held(self, level: int, from_ns: int, good_ns: int) -> Heard:
        """The line stands still at a level."""
        return self._disturbed([(from_ns, level)], from_ns, good_ns)

    def swapped(self, from_ns: int, good_ns: int) -> Heard:
        """The two wires of the line are swapped."""
        sent = list(self._drawn(from_ns, good_ns))
        changes = turned_over(window(sent, from_ns, good_ns))
        return self._disturbed(changes, from_ns, good_ns)

    def at_baud(self, baud: int, from_ns: int, good_ns: int) -> Heard:
        """The sender goes on at another baud, back to back."""
        form = characters_of(self._bus, baud)
        grid = form.character
        count = -((from_ns - good_ns) * grid.den // grid.num)
        data = islice(cycle(self._data(from_ns, count)), count)
        changes = write_levels(data, form, from_ns)
        return self._disturbed(window(changes, from_ns, good_ns), from_ns, good_ns)

    def _data(self, from_ns: int, count: int) -> list[int]:
        """The data bits of the characters that were to be sent from an instant on."""
        part = self._track.part(self._track.ended_by(from_ns), len(self._track))
        data = part.octets[:count].astype(np.int64)
        marked = part.flaws["at"][part.flaws["kind"] == Flaw.ADDRESS]
        data[marked[marked < len(data)]] |= NINTH_BIT
        return [int(bits) for bits in data]

    def _disturbed(self, changes: Changes, from_ns: int, good_ns: int) -> Heard:
        """Other levels from an instant until another; the first stands at the one."""
        track = self._track
        first = track.ended_by(from_ns)
        # A break that would end just then goes on, if the line is low.
        ends = first and track.end_ns(first - 1) == from_ns
        if ends and track.flaw(first - 1)[0] == Flaw.BREAK:
            first -= 1
        drawn = self._pen.draw(track, first, track.started_by(from_ns + 1))
        before = [one for one in drawn if one[0] < from_ns]
        began_ns = before[0][0] if before else from_ns
        reader = CharacterReader(self._form, start_ns=began_ns)
        for change in (*before, *changes):
            reader.change(*change)
        reader.change(good_ns, self._level(good_ns))
        return self._rest(reader, first, (from_ns, good_ns))

    # --- receivers that begin

    def begun(self, ns: int, *, off: bool) -> Heard:
        """Nodes begin anew while there is traffic.

        Args:
            ns: When.
            off: Whether they were off before, and heard nothing.
        """
        reader = CharacterReader(self._form, start_ns=ns, level=self._level(ns))
        first = 0 if off else self._track.ended_by(ns)
        made = self._rest(reader, first, (ns, ns))
        return replace(made, reset_ns=ns, off=off)

    # --- made of it

    def _rest(
        self, reader: CharacterReader, first: int, times: tuple[int, int]
    ) -> Heard:
        """From an instant on the line is as it was sent again.

        Args:
            reader: The receiver, which has been given the line's level at that instant.
            first: The first character that was not heard as it was sent.
            times: When the upset began, and that instant.
        """
        track, good_ns = self._track, times[1]
        again = track.started_by(good_ns)
        for change in self._pen.draw(track, self._track.ended_by(good_ns), again):
            if change[0] > good_ns:
                reader.change(*change)
        events = list(reader.events())
        more, step = catch_up(reader, track, self._pen, again, STEP_MOST)
        middle = heard([*events, *more])
        return self._made(middle, first, len(track) if step is None else step, times)

    def _made(
        self, middle: Part, first: int, again: int, times: tuple[int, int]
    ) -> Heard:
        """As it was sent up to one character, and from another on."""
        track = self._track
        whole = len(track)
        part = joined([track.part(0, first), middle, track.part(again, whole)])
        until_ns = track.line.until_ns
        line = Line(part.octets, part.runs, part.flaws, 0, until_ns)
        places = [track.started_by(int(ns) + 1) - 1 for ns in middle.runs["start_ns"]]
        return Heard(
            Track(line, self._bus),
            first,
            np.maximum(np.array(places, np.int64), 0),
            again,
            *times,
            in_step_ns=track.start_ns(again) if again < whole else None,
            in_step=again - track.started_by(times[1]),
        )

    def _drawn(self, from_ns: int, until_ns: int) -> Iterator[Change]:
        """The changes of all characters that touch a stretch of time."""
        end = self._track.started_by(until_ns + 1)
        return self._pen.draw(self._track, self._track.ended_by(from_ns), end)

    def _level(self, ns: int) -> int:
        """The line's level at an instant, as it was sent."""
        return level_at(list(self._drawn(ns, ns)), ns)
