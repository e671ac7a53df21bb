"""One case over a live link: as on simulated nodes, with what real time asks for.

What was shown is heard of later, so after its last character a case waits until all is
there that has to be, and no longer than for stragglers of any trial.  What a transport
cannot send (a character without a stop bit, a break) is not sent, and such a case is
left out and counted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import (
    DROPPED,
    FLAW,
    LOST,
    RUN,
    SHOWN,
    Flaw,
    Line,
    Seen,
    Sent,
    no_octets,
    no_rows,
)
from bench.base.errors import Fault, LinkError
from bench.base.grid import NS_PER_S
from bench.fuzz.oracles import judge_case
from bench.link.live.flaws import sends

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.fuzz.attacks import Attacks
    from bench.fuzz.attacks.laid import Laid
    from bench.fuzz.cases import Case
    from bench.fuzz.oracles import Breach
    from bench.link.link import Link

STRAGGLERS_NS = 2 * NS_PER_S
"""As for any trial: two seconds for what is still on its way (RFC 2544, section 23)."""

_LEAST_NS = 200_000_000
_SLOWER = 10
"""Once it is known how late all was heard of that was shown, ten times as long is
waited for what is missing, and a fifth of a second at least."""

_SLICE_NS = 20_000_000
"""So long is waited at a time; a case for which nothing is missing waits once."""


class CannotSend(LinkError):  # noqa: N818 (no fault of the link's)
    """The transport has no way to send what a case needs."""


@dataclass(slots=True)
class Patience:
    """How long is waited for what is missing.

    Attributes:
        slowest_ns: How late anything was heard of so far; None: nothing was yet.
    """

    slowest_ns: int | None = None

    @property
    def ns(self) -> int:
        """So long."""
        if self.slowest_ns is None:
            return STRAGGLERS_NS
        return min(STRAGGLERS_NS, max(_LEAST_NS, _SLOWER * self.slowest_ns))

    def took(self, ns: int) -> None:
        """All was heard of, so late."""
        self.slowest_ns = max(self.slowest_ns or 0, ns)


def try_live(
    case: Case, attacks: Attacks, link: Link, patience: Patience
) -> list[Breach]:
    """Send one case, and say what must not have happened.

    Args:
        case: The case.
        attacks: Who lays it.
        link: A link whose trial time begins with this case.
        patience: How long is waited; it learns.

    Raises:
        CannotSend: If the link has no way to send it; nothing was sent.
        LinkError: If the link was lost.
    """
    laid = attacks.lay(case)
    _refuse(laid, link)
    seen = [link.carry(line, sent) for line, sent in _chunks(laid, link.most_octets)]
    seen += _waited(laid, link, seen, patience)
    health = link.evidence().void
    return judge_case(laid, joined(seen), link.observes, resets=(), health=health)


def _refuse(laid: Laid, link: Link) -> None:
    """Refuse what a transport cannot send.

    Raises:
        CannotSend: If there is any of it.
    """
    transport = getattr(link, "transport", None)
    if transport is None:
        return
    for kind in np.unique(laid.line.flaws["kind"]).tolist():
        if not sends(transport, Flaw(kind)):
            raise CannotSend(Fault("this link cannot send such characters", link.name))


def _chunks(laid: Laid, most: int | None) -> Iterator[tuple[Line, Sent]]:
    """The line in chunks that the link takes, each with the packets that end in it."""
    total = len(laid.line.octets)
    step = most or max(1, total)
    sent = laid.sent
    ends = sent.rows["first"] + sent.rows["octets"]
    for first in range(0, max(1, total), step):
        end = min(total, first + step)
        last = end == total
        until_ns = laid.line.until_ns if last else int(laid.starts[end])
        mine = (ends > first) & (ends <= end) if first else ends <= end
        yield (
            laid.chunk(first, end, until_ns),
            Sent(sent.rows[mine].copy(), sent.payload),
        )


def _waited(laid: Laid, link: Link, seen: list[Seen], patience: Patience) -> list[Seen]:
    """What comes later, until nothing is missing or nothing more can come."""
    wanted = len(laid.must)
    have = sum(_shown(laid, part) for part in seen)
    came: list[Seen] = []
    total, until_ns = len(laid.line.octets), laid.line.until_ns
    began_ns, most_ns = until_ns, until_ns + patience.ns
    while not came or (have < wanted and until_ns < most_ns):
        until_ns += _SLICE_NS
        idle = Line(no_octets(), no_rows(RUN), no_rows(FLAW), total, until_ns)
        came.append(link.carry(idle))
        have += _shown(laid, came[-1])
    if have >= wanted:
        patience.took(until_ns - began_ns)
    return came


def _shown(laid: Laid, seen: Seen) -> int:
    """How many bursts of the node there are."""
    return int(np.count_nonzero(seen.shown["node"] == laid.node))


def joined(parts: list[Seen]) -> Seen:
    """What was seen in several chunks, as of one."""
    shown, moved = [no_rows(SHOWN)], 0
    for part in parts:
        rows = part.shown.copy()
        rows["data_at"] += moved
        moved += len(part.data)
        shown.append(rows)
    return Seen(
        np.concatenate(shown),
        np.concatenate([no_octets(), *(part.data for part in parts)]),
        np.concatenate([no_rows(DROPPED), *(part.dropped for part in parts)]),
        np.concatenate([no_rows(LOST), *(part.lost for part in parts)]),
        parts[-1].until_ns if parts else 0,
    )
