"""The schedule: every character of a trial, and when it starts.

Frame f begins at f / frame rate and holds one own packet for each node, in their order:
`even` gives node i of n its target i/n of the period later, `together` gives all of
them the start.  Where the payload is shared it holds one packet for all of them, with
each node's octets as its own packet would have them, and zeros between.  After the own
packets of every k-th frame a broadcast packet follows at once; where nodes show on a
broadcast, it is empty, and it closes the trial if its frame does.

* `packed`: one unbroken run.  An own packet starts at its target, rounded down to the
  run's characters and then dithered by up to a share of the gap before it; a packet
  that is late does not move the targets of those after it.  Gaps hold foreign packets
  as the foreign account allows, and pads; without a pad, foreign packets alone, the
  last one sized to fit, and what not even the shortest fits is not waited for.
* `timed`: own packets start at their targets, dithered by up to a share of the free
  time of a packet, foreign ones evenly between them; each is a run of its own and
  starts at a whole nanosecond.
* `flood`: back to back, as the foreign account allows, whatever the frame rate says.

A framing by breaks begins every packet with a break and the mark after it; one by
silence keeps its silence after every packet; one by a ninth bit sets that of every
packet's first character, and of no other.  Where only the next packet ends one, a break
or a marked character that begins no packet comes after the last.  All draws are by
counter, keyed by the seed alone, so the points of a sweep share them; any split into
chunks is the same schedule.  What a packet spans includes its break and its delimiters.
"""

from __future__ import annotations

from hashlib import blake2b
from typing import TYPE_CHECKING

import numpy as np

from bench.base.columns import FLAW, RUN, SENT, Line, Sent
from bench.traffic.place import begin_at, place_of
from bench.traffic.refusal import refuse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.kernels.schedule import Columns
    from bench.profile.model import Profile
    from bench.traffic.place import Place

__all__ = ["Schedule", "schedule_digest"]

_LEAST_ROWS = 64
"""Packets that a chunk has room for at least."""

_DIGEST_CHUNK = 1 << 20
"""Characters taken at once for a digest, which does not depend on it."""


class Schedule:
    """What is sent in one trial, chunk by chunk.

    Args:
        profile: The profile, at the point that is tried.
        seed: What every draw depends on.
        packets: The trial ends after so many own packets; None: it does not.
        duration_ns: It ends before the first own packet whose target (flood: start) is
            not before this; None: it does not.
        recording: For the pattern `play`: uint8 of shape (frames, nodes, payload), or
            flat, to be cut into payloads.
        begin: Where it goes on from; a limit of packets counts from there.

    Raises:
        ProfileError: If the profile cannot be sent; nothing has been.
    """

    def __init__(
        self,
        profile: Profile,
        *,
        seed: int,
        packets: int | None = None,
        duration_ns: int | None = None,
        recording: NDArray[np.uint8] | None = None,
        begin: Place | None = None,
    ) -> None:
        costs = refuse(profile, recording)
        # Numba is loaded here, when a schedule is really made.
        from bench.kernels import schedule as kernel
        from bench.traffic.plan import make_parts

        self._kernel = kernel
        self._parts = make_parts(
            profile,
            costs,
            seed=seed,
            packets_limit=packets,
            duration_ns=duration_ns,
            recording=recording,
        )
        self._counted = begin.counted if begin is not None else {}
        if begin is not None:
            begin_at(self._parts, begin)
        layout = costs.format.layout
        longest = max((*costs.sizes, costs.broadcast, int(self._parts.plan[0]["most"])))
        octets = layout.head + longest + layout.tail
        self._longest = costs.format.longest_stuffed(octets) + 1
        self._shortest = max(1, layout.shortest + costs.format.delimiters)
        self._free: list[Columns] = []

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """The next chunk; None when everything has been taken.

        Args:
            most_octets: Most characters, unless a single packet is longer.
        """
        if most_octets < 1:
            raise ValueError(f"a chunk of {most_octets} characters")
        columns = self._columns(most_octets)
        until_ns = self._kernel.write(self._parts, columns, most_octets)
        state = self._parts.state[0]
        if state["octets"] == 0:
            return None
        octets = int(state["octets"])
        line = Line(
            columns.octets[:octets],
            columns.runs[: int(state["runs"])],
            columns.flaws[: int(state["flaws"])],
            int(state["first"]) - octets,
            until_ns,
        )
        rows = columns.rows[: int(state["rows"])]
        return line, Sent(rows, columns.payload[: int(state["payload"])])

    @property
    def place(self) -> Place | None:
        """Where another one can go on; None: the last packet's broadcast is to come."""
        return place_of(self._parts, self._counted)

    def give_back(self, line: Line, sent: Sent) -> None:
        """Let a chunk's memory be used again: nobody may look at it any more.

        Args:
            line: As `take` gave it.
            sent: Likewise.
        """
        columns = (line.octets, sent.rows, line.runs, line.flaws, sent.payload)
        self._free.append(self._kernel.Columns(*(column.base for column in columns)))

    def _columns(self, most_octets: int) -> Columns:
        """Room for a chunk."""
        octets = most_octets + self._longest
        while self._free:
            columns = self._free.pop()
            if len(columns.octets) == octets:
                return columns
        # Nothing but the shortest packets is rare: a chunk of them may end early.
        rows = max(_LEAST_ROWS, most_octets // (4 * self._shortest))
        return self._kernel.Columns(
            np.empty(octets, np.uint8),
            np.empty(rows, SENT),
            np.empty(2 * rows, RUN),
            np.empty(rows, FLAW),
            np.empty(octets, np.uint8),
        )


def schedule_digest(profile: Profile, seed: int, packets: int) -> str:
    """A fingerprint of a schedule: its characters, its packets, and their times.

    Args:
        profile: The profile, at one point.
        seed: The seed.
        packets: Own packets.
    """
    states = [blake2b(digest_size=32) for _ in range(4)]
    octets, rows, flaws, payload = states
    schedule = Schedule(profile, seed=seed, packets=packets)
    while (chunk := schedule.take(_DIGEST_CHUNK)) is not None:
        line, sent = chunk
        table = sent.rows.copy()
        # Into the chunk's payload: whether there is one is what does not depend on it.
        table["payload_at"] = np.minimum(table["payload_at"], 0)
        flawed = line.flaws.copy()
        flawed["at"] += line.first
        octets.update(line.octets.data)
        payload.update(sent.payload.data)
        rows.update(_plain(table))
        flaws.update(_plain(flawed))
    whole = blake2b(digest_size=16, person=b"nightbench-sched")
    for state in states:
        whole.update(state.digest())
    return whole.hexdigest()


def _plain(rows: NDArray[np.void]) -> bytes:
    """Rows as little-endian integers, on every machine."""
    return rows.view("i8").astype("<i8").tobytes()
