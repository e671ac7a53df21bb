"""A character that has started at the end of a chunk and is not complete.

A chunk says which characters start before an instant; the last of them may still be
under way then.  The kernel takes a character when it completes, and reads it from the
chunk that it was given: so one that is under way goes over into the next.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, Line

if TYPE_CHECKING:
    from bench.base.columns import Rows


def under_way(line: Line, node: Rows) -> Line | None:
    """What of a chunk the kernel has not taken yet: at most its last character.

    Args:
        line: The chunk.
        node: `NODE`, shape (1,), after it was played.
    """
    at = int(node[0]["i"])
    if at >= len(line.octets):
        return None
    if at == node[0]["run_end"]:
        # The cursor enters a run when its first character completes.
        row = line.runs[np.searchsorted(line.runs["first"], at)]
        start = int(row["start_ns"]), int(row["start_rem"])
    else:
        start = int(node[0]["start_ns"]), int(node[0]["start_rem"])
    flaws = line.flaws[line.flaws["at"] >= at].copy()
    flaws["at"] -= at
    runs = np.array([(0, *start)], RUN)
    return Line(line.octets[at:].copy(), runs, flaws, line.first + at, line.until_ns)


def put_before(begun: Line, line: Line) -> Line:
    """A chunk, and before it what of the last one is still to come.

    Args:
        begun: What is under way.
        line: The next chunk.
    """
    count = len(begun.octets)
    runs, flaws = line.runs.astype(RUN), line.flaws.astype(FLAW)
    runs["first"] += count
    flaws["at"] += count
    return Line(
        np.concatenate((begun.octets, line.octets)),
        np.concatenate((begun.runs, runs)),
        np.concatenate((begun.flaws, flaws)),
        begun.first,
        line.until_ns,
    )
