"""A chunk that was cut off: the link was lost, or would not take any more of it.

Whatever the system threw, it is one event: the same first cause, however often anybody
asks again.  What was carried before is not thrown away with the link, so that a trial
is judged over all that it did.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.errors import LinkError

if TYPE_CHECKING:
    from bench.base.columns import Seen
    from bench.base.errors import Fault


class CutOffError(LinkError):
    """A link that carries no more.

    Attributes:
        octets: Characters of the chunk that were accepted before, from its first on.
        seen: What was seen since the last chunk; None if nothing can be said.
    """

    def __init__(self, fault: Fault, octets: int = 0, seen: Seen | None = None) -> None:
        super().__init__(fault)
        self.octets = octets
        self.seen = seen
