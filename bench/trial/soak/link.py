"""The link of one stretch, looked at as each interval ends.

It is looked at in the thread that owns it, after the very chunk with which the runner
ends an interval.  What a live link says against a whole trial because of moments is
said of the intervals that those moments lie in instead.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from bench.base.errors import LinkError
from bench.link.link import Counting
from bench.link.live.link import LiveLink

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType
    from typing import Self

    from bench.base.columns import Line, Seen, Sent
    from bench.link.evidence import Evidence
    from bench.link.link import Link
    from bench.link.observes import Observes

ERRORS = ("framing", "parity", "overrun", "buffer_overrun")
"""Counts of an adapter that nothing good can have caused."""


class StretchLink:
    """See `bench.link.link.Link`.

    Attributes:
        lost: Whether it is lost.
        why: Why, without what somebody could do about it: nobody is there.
    """

    def __init__(self, link: Link, interval_ns: int) -> None:
        """Nothing carried.

        Args:
            link: The link.
            interval_ns: As the runner has it.
        """
        self._link = link
        self._interval_ns = interval_ns
        self._from_ns = 0
        self._looks: dict[int, dict[str, Any]] = {}
        self._errors: int | None = None
        self.lost = False
        self.why = ""
        self.observes: Observes = link.observes

    @property
    def name(self) -> str:
        """See `Link`."""
        return self._link.name

    @property
    def most_octets(self) -> int | None:
        """See `Link`."""
        return self._link.most_octets

    @property
    def counts(self) -> Mapping[str, int | None]:
        """See `Counting`."""
        return self._link.counts if isinstance(self._link, Counting) else {}

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:
        """See `Link`."""
        try:
            seen = self._link.carry(line, sent)
        except LinkError as error:
            self.lost = True
            self.why = self.why or why_of(error)
            raise
        if line.until_ns - self._from_ns >= self._interval_ns:
            self._from_ns = line.until_ns
            self._looks[line.until_ns] = self._look()
        return seen

    def look(self, until_ns: int) -> dict[str, Any]:
        """What is known of the interval that ended at an instant of the trial."""
        look = self._looks.pop(until_ns, None)
        return self._look() if look is None else look

    def evidence(self) -> Evidence:
        """See `Link`."""
        evidence = self._link.evidence()
        lasting = tuple(v for v in evidence.void if v not in evidence.moments)
        return replace(evidence, void=lasting, moments=())

    def close(self) -> None:
        """See `Link`."""
        self._link.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _look(self) -> dict[str, Any]:
        lately = cast("Callable[[], dict[str, Any]] | None", _of(self._link, "lately"))
        said = {} if lately is None else lately()
        if isinstance(self._link, LiveLink):
            told = self._link.transport.told().counts
            counted = [told[word] for word in ERRORS if told.get(word) is not None]
            now = sum(cast("list[int]", counted)) if counted else None
            before, self._errors = self._errors, now
            said["adapter_errors"] = None if now is None else now - (before or 0)
        return said


def why_of(error: LinkError) -> str:
    """Why a link is not there."""
    return str(replace(error.fault, mend=""))


def _of(link: object, name: str) -> object:
    return getattr(link, name, None)
