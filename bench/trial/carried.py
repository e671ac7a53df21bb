"""Chunks on their way from the schedule over the link, while others are judged.

While one chunk is judged the link carries the next and the schedule writes the one
after that; the kernels let go of the interpreter.  One thread writes the schedule, and
one alone owns the link.
"""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from typing import TYPE_CHECKING

from bench.link.cut_off import CutOffError
from bench.trial.slices import Slices, cut_at, nothing_seen

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator
    from concurrent.futures import Future

    from bench.base.columns import Line, Seen, Sent
    from bench.base.grid import Grid
    from bench.link.link import Link
    from bench.trial.source import Source

CHUNK_OCTETS = 1 << 19
"""Characters carried at once: about 5 ms of work on simulated nodes, at worst 50."""

SWITCH_S = 50e-6
"""A thread that waits for the interpreter gets it within this.  Left alone it is 5 ms:
so long whoever judges keeps the link from a packet that is due.  It is well short of
the stretch that the pacer spins before one."""


@contextmanager
def prompt() -> Iterator[None]:
    """Let threads have the interpreter soon after they ask for it."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(min(before_s, SWITCH_S))
    try:
        yield
    finally:
        sys.setswitchinterval(before_s)


def carried(
    source: Source, link: Link, stop: Callable[[], int | None], pitch: Grid
) -> Generator[tuple[Line, Sent, Seen], None, None]:
    """Chunks that were carried, the next one under way while one is judged.

    When told to stop, what is under way is still carried and handed out, so that
    everything that was put on the bus is judged.

    Raises:
        LinkError: If the link is lost; what it took by then has been handed out.
    """
    most_octets = link.most_octets or CHUNK_OCTETS
    live = link.most_octets is not None
    with (
        prompt() if live else nullcontext(),
        ThreadPoolExecutor(1, "schedule") as writer,
        ThreadPoolExecutor(1, "link") as owner,
    ):
        coming = writer.submit(source.take, most_octets)
        under_way: tuple[Line, Sent, Future[Seen]] | None = None
        while True:
            if stop() is None:
                chunk = coming.result()
            elif isinstance(source, Slices):
                chunk = source.close(coming.result())
            else:
                chunk = None
            done, under_way = under_way, None
            if chunk is not None:
                coming = writer.submit(source.take, most_octets)
                line, sent = chunk
                under_way = line, sent, owner.submit(link.carry, line, sent)
            if done is not None:
                line, sent, result = done
                try:
                    seen = result.result()
                except CutOffError as error:
                    (line, sent), _ = cut_at(line, sent, error.octets, pitch)
                    yield line, sent, error.seen or nothing_seen(line.until_ns)
                    raise
                yield line, sent, seen
            if chunk is None:
                return


def in_turn(
    source: Source, link: Link, stop: Callable[[], int | None]
) -> Generator[tuple[Line, Sent, Seen], None, None]:
    """Chunks that were carried, one after another, in this thread alone.

    For who has other work for the other cores; it yields what `carried` does.

    Raises:
        LinkError: If the link is lost.
    """
    most_octets = link.most_octets or CHUNK_OCTETS
    while stop() is None and (chunk := source.take(most_octets)) is not None:
        line, sent = chunk
        yield line, sent, link.carry(line, sent)
