"""Answers in what is heard: octets in, packets of stated forms out.

A host cannot rely on the gaps between what it reads, so answers are found by their
contents: at every octet each form is tried; the first that holds, check included, is
the answer, and the search goes on after it.  Where none holds, the octet belongs to
nothing, and the search goes on with the next one, so a false beginning costs none of
the answers behind it.  Forms between delimiters are cut at those and tried whole.

A form may be incomplete when the octets end.  Then the search waits, but an answer is
never longer, in time, than a stated one: what is later belongs to another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.wire.format import Delimiter
from bench.wire.packets import (
    fault_of,
    head_fault_of,
    number_at,
    payload_after,
)
from bench.wire.stuffing import StuffingError, unstuff

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.wire.format import Format


@dataclass(frozen=True, slots=True)
class Found:
    """One answer, or octets that are none.

    Attributes:
        form: Index of its form; None for octets that belong to nothing.
        octets: What it is, unstuffed.
        payload: What it carries.
        address: Whose it is; None where its form does not tell.
        first_ns: When its first octet was heard.
        at_ns: When its last octet was heard.
    """

    form: int | None
    octets: bytes
    payload: bytes
    address: int | None
    first_ns: int
    at_ns: int


class Answers:
    """Finds answers."""

    def __init__(self, forms: Sequence[Format], longest_ns: int) -> None:
        """Nothing heard.

        Args:
            forms: How answers may look, the first to be tried first.  Each tells its
                length in its head, or is delimited by an octet, the same for all.
            longest_ns: From an answer's first octet to its last at most.
        """
        self._longest_ns = longest_ns
        self._forms = tuple(forms)
        self._delimited = forms[0].delimiting.kind == Delimiter.OCTET
        self._heard: list[tuple[int, int]] = []
        self._nothing: list[tuple[int, int]] = []

    def take(self, octets: Sequence[tuple[int, int]]) -> None:
        """Octets and the instants at which they were heard, in order."""
        self._heard += octets

    def found(self, until_ns: int) -> list[Found]:
        """What has become certain.

        Args:
            until_ns: Everything that was heard before this instant was handed in.
        """
        found: list[Found] = []
        step = self._delimited_step if self._delimited else self._step
        at = 0
        while at < len(self._heard):
            size = step(at, until_ns, found)
            if size == 0:
                break
            at += size
        del self._heard[:at]
        if self._nothing and (not self._heard or found):
            self._flush(found)
        return found

    def _step(self, at: int, until_ns: int, found: list[Found]) -> int:
        """Decide on the octets from a place on; how many are done with."""
        waits = False
        for index, form in enumerate(self._forms):
            size, complete = self._match(form, at)
            if complete:
                self._tell(index, at, size, found)
                return size
            waits |= size > 0
        if waits and self._may_go_on(at, until_ns):
            return 0
        self._nothing.append(self._heard[at])
        return 1

    def _match(self, form: Format, at: int) -> tuple[int, bool]:
        """The size of an answer that may begin at a place; whether it is there, sound.

        0 for none.  One that is not all there yet has a size above 0.
        """
        layout, marker = form.layout, b""
        if form.delimiting.kind == Delimiter.MARKER:
            marker = form.delimiting.octets
        head = self._span(at, layout.head)
        if not _begins(marker, head):
            return 0, False
        if len(head) < layout.head:
            fits = all(
                _begins(octets, head[place:])
                for place, octets in layout.literals
                if 0 <= place < len(head)
            )
            return int(fits), False
        if head_fault_of(layout, head) is not None:
            return 0, False
        size = layout.head + payload_after(layout, head) + layout.tail
        packet = self._span(at, size)
        if len(packet) < size:
            return size, False
        return (0, False) if fault_of(layout, packet) else (size, True)

    def _delimited_step(self, at: int, until_ns: int, found: list[Found]) -> int:
        """The same for forms between delimiters."""
        delimiter = self._forms[0].delimiting.octets[0]
        last_ns, end = self._heard[at][1] + self._longest_ns, at
        while end < len(self._heard) and self._heard[end][0] != delimiter:
            if self._heard[end][1] > last_ns:
                self._nothing += self._heard[at:end]
                return end - at
            end += 1
        if end == at:
            return 1
        if end == len(self._heard):
            if self._may_go_on(at, until_ns):
                return 0
            self._nothing += self._heard[at:end]
            return end - at
        raw = self._span(at, end - at)
        for index, form in enumerate(self._forms):
            try:
                packet = unstuff(form.unstuffing, raw)
            except StuffingError:
                continue
            if fault_of(form.layout, packet) is None:
                self._tell(index, at, end - at, found, packet)
                return end - at + 1
        self._nothing += self._heard[at:end]
        return end - at + 1

    def _tell(
        self,
        form: int,
        at: int,
        size: int,
        found: list[Found],
        packet: bytes | None = None,
    ) -> None:
        """An answer of so many octets."""
        self._flush(found)
        layout = self._forms[form].layout
        octets = self._span(at, size) if packet is None else packet
        payload = octets[layout.head : len(octets) - layout.tail]
        address = number_at(layout.address, octets)
        first_ns, at_ns = self._heard[at][1], self._heard[at + size - 1][1]
        found.append(Found(form, octets, payload, address, first_ns, at_ns))

    def _flush(self, found: list[Found]) -> None:
        """Octets that belong to nothing, in one piece."""
        if self._nothing:
            octets = bytes(octet for octet, _ in self._nothing)
            first_ns, at_ns = self._nothing[0][1], self._nothing[-1][1]
            found.append(Found(None, octets, b"", None, first_ns, at_ns))
            self._nothing.clear()

    def _may_go_on(self, at: int, until_ns: int) -> bool:
        """Whether octets may yet come for an answer that begins at a place."""
        last_ns = self._heard[at][1] + self._longest_ns
        return until_ns <= last_ns and self._heard[-1][1] <= last_ns

    def _span(self, at: int, size: int) -> bytes:
        """Octets of one answer from a place on, so many at most."""
        heard = self._heard[at : at + size]
        if heard and heard[-1][1] > heard[0][1] + self._longest_ns:
            last_ns = heard[0][1] + self._longest_ns
            return bytes(octet for octet, at_ns in heard if at_ns <= last_ns)
        return bytes(octet for octet, _ in heard)


def _begins(octets: bytes, seen: bytes) -> bool:
    """Whether octets are what is seen, as far as both go."""
    size = min(len(octets), len(seen))
    return octets[:size] == seen[:size]
