"""The symbols that a decoder has been given and may still need, by place.

A place counts octets and breaks from the first one given.  What is not a sound octet is
a *wall*: a flawed octet, a marked one or a break stands at its place, a gap stands
before the octet at its place.  Between two walls lies a clear run, which is searched
and copied whole; so a decoder's work goes by packets and walls, not by octets.

Nothing is interpreted here, and nothing before a place that was released is kept.
"""

from __future__ import annotations

from bisect import bisect_right
from enum import IntEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing_extensions import Buffer


class Wall(IntEnum):
    """What stands between two clear runs."""

    PAUSE = 1
    SILENCE = 2
    FLAW = 3  # takes up one place
    BREAK = 4  # takes up one place
    ADDRESS = 5  # an octet whose ninth bit is set: takes up one place

    @property
    def has_place(self) -> bool:
        """Whether it takes up a place, as gaps do not."""
        return self >= Wall.FLAW


class Tape:
    """Octets and walls by place; walls are numbered from the first one given."""

    def __init__(self) -> None:
        self._octets = bytearray()
        self._first = 0
        self._places: list[int] = []
        self._kinds: list[Wall] = []
        self._first_wall = 0

    @property
    def end(self) -> int:
        """One past the last place."""
        return self._first + len(self._octets)

    # --- given

    def octets(self, octets: Buffer) -> None:
        """Put sound octets at the end."""
        self._octets += memoryview(octets)

    def wall(self, kind: Wall, octet: int = 0) -> None:
        """Put a wall at the end, with the octet of one that takes up a place."""
        self._places.append(self.end)
        self._kinds.append(kind)
        if kind.has_place:
            self._octets.append(octet)

    # --- read

    def kind(self, wall: int) -> Wall | None:
        """What a wall is; None where it has not been given yet."""
        index = wall - self._first_wall
        return self._kinds[index] if index < len(self._kinds) else None

    def clear_to(self, wall: int) -> int:
        """Where the clear run before a wall ends: at it, or at the end so far."""
        index = wall - self._first_wall
        return self._places[index] if index < len(self._places) else self.end

    def wall_after(self, place: int) -> int:
        """The first wall beyond a place: any at a higher one."""
        return self._first_wall + bisect_right(self._places, place)

    def at(self, place: int) -> int:
        """The octet at a place."""
        return self._octets[place - self._first]

    def span(self, start: int, end: int) -> bytes:
        """The octets from one place up to another."""
        return bytes(memoryview(self._octets)[start - self._first : end - self._first])

    def find(self, octets: bytes, start: int, end: int) -> int:
        """The first place of some octets in a span, -1 where they do not occur."""
        first = self._first
        found = self._octets.find(octets, start - first, end - first)
        return found if found < 0 else found + first

    # --- let go

    def release(self, place: int, wall: int) -> None:
        """Forget all octets before a place, and all walls before one of them."""
        if place > self._first:
            del self._octets[: place - self._first]
            self._first = place
        if wall > self._first_wall:
            del self._places[: wall - self._first_wall]
            del self._kinds[: wall - self._first_wall]
            self._first_wall = wall
