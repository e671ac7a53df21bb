"""The way to the nodes, with an upset on it.

The runner hands over the line as it was sent; the nodes get the line as it is heard,
and begin anew where the upset says so.  What they say of places on it is put in terms
of the line as it was sent before anybody sees it.

A burst that is cut off by a reset shows half a packet.  That is a finding about the
board and not about its checks, so such bursts are kept apart and the judge never sees
them.  Of a node that is off nothing is seen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, cast

import numpy as np

from bench.base.columns import DROPPED, LOST, SHOWN, Line, Seen, no_octets, no_rows

if TYPE_CHECKING:
    from collections.abc import Sequence
    from types import TracebackType

    from numpy.typing import NDArray

    from bench.base.columns import Rows, Sent
    from bench.link.evidence import Evidence
    from bench.link.link import Link
    from bench.link.observes import Observes
    from bench.trial.upset.line import Heard


class ResettableLink(Protocol):
    """A link whose nodes can be made to begin anew; see `bench.link.link.Link`."""

    def reset(self, at_ns: int, nodes: Sequence[int] | None = None) -> None:
        """Let nodes begin anew, at the instant up to which the line was carried."""
        ...


class UpsetLink:
    """A link with an upset on the line to its nodes."""

    def __init__(self, link: Link, heard: Heard, clocks: Sequence[int]) -> None:
        """Put an upset on a line.

        Args:
            link: The way to the nodes; one that is a `ResettableLink`, if they are to
                begin anew.
            heard: What they hear.
            clocks: Of a whole burst of each node.
        """
        self._link = link
        self._heard = heard
        self._clocks = np.array(clocks)
        self._at = 0
        self._reset_ns = heard.reset_ns
        self._seen: list[Seen] = []
        self._halves: list[Rows] = [no_rows(SHOWN)]

    @property
    def name(self) -> str:
        """See `Link`."""
        return self._link.name

    @property
    def observes(self) -> Observes:
        """See `Link`."""
        return self._link.observes

    @property
    def seen(self) -> Seen:
        """Everything that the judge saw."""
        return in_one(self._seen)

    @property
    def halves(self) -> Rows:
        """`SHOWN` rows of the bursts that a reset cut off, without their data."""
        return np.concatenate(self._halves)

    @property
    def most_octets(self) -> int | None:
        """See `Link`."""
        return self._link.most_octets

    def carry(self, line: Line, sent: Sent | None = None) -> Seen:  # noqa: ARG002
        """See `Link.carry`; takes the line as it was sent."""
        reset_ns = self._reset_ns
        if reset_ns is None or reset_ns > line.until_ns:
            seen = self._carried(line.until_ns)
        else:
            parts = [self._carried(reset_ns)]
            link = cast("ResettableLink", self._link)
            link.reset(reset_ns)
            self._reset_ns = None
            parts.append(self._after_reset(self._carried(line.until_ns), reset_ns))
            seen = in_one(parts)
        self._seen.append(seen)
        return seen

    def evidence(self) -> Evidence:
        """See `Link`."""
        return self._link.evidence()

    def close(self) -> None:
        """See `Link.close`."""
        self._link.close()

    def __enter__(self) -> UpsetLink:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _carried(self, until_ns: int) -> Seen:
        """What comes of the characters that nodes hear next."""
        track = self._heard.track
        first, self._at = self._at, track.started_by(until_ns)
        part = track.part(first, self._at)
        line = Line(part.octets, part.runs, part.flaws, first, until_ns)
        seen = self._link.carry(line)
        if self._heard.off and self._reset_ns is not None:
            return in_one([], until_ns)
        dropped, lost = seen.dropped.copy(), seen.lost.copy()
        dropped["first"] = self._sent_at(dropped["first"])
        dropped["end"] = self._sent_at(dropped["end"] - 1) + 1
        lost["at"] = self._sent_at(lost["at"])
        return Seen(seen.shown, seen.data, dropped, lost, seen.until_ns)

    def _sent_at(self, places: NDArray[np.int64]) -> NDArray[np.int64]:
        """Places of what was heard, on the line as it was sent."""
        return self._heard.sent_at(np.maximum(places, 0))

    def _after_reset(self, seen: Seen, reset_ns: int) -> Seen:
        """All but the bursts that the reset cut off."""
        shown = seen.shown
        before = shown["burst_ns"] < reset_ns
        fewer = shown["clocks"] < self._clocks[shown["node"]]
        runt = (shown["marginal"] == 1) & (shown["end_ns"] == reset_ns)
        cut = before & (fewer | runt | self._heard.off)
        if not self._heard.off:
            self._halves.append(shown[cut])
        return Seen(shown[~cut], seen.data, seen.dropped, seen.lost, seen.until_ns)


def in_one(seen: Sequence[Seen], until_ns: int = 0) -> Seen:
    """What was seen in several chunks, as of one."""
    shown, moved = [no_rows(SHOWN)], 0
    for one in seen:
        rows = one.shown.copy()
        rows["data_at"] += moved
        moved += len(one.data)
        shown.append(rows)
    return Seen(
        np.concatenate(shown),
        np.concatenate([no_octets(), *(one.data for one in seen)]),
        np.concatenate([no_rows(DROPPED), *(one.dropped for one in seen)]),
        np.concatenate([no_rows(LOST), *(one.lost for one in seen)]),
        seen[-1].until_ns if seen else until_ns,
    )
