"""While the line rests: a link is waited for, a pause, a silence, a command.

Each is one record with its length, written when it is over.  Nobody here is waited for
longer than the night lasts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.errors import LinkError
from bench.base.grid import NS_PER_S
from bench.base.units import DURATION, format_ns

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.link.link import Link
    from bench.trial.runner import Progress
    from bench.trial.soak.asked import Commands
    from bench.trial.soak.changes import Change
    from bench.trial.soak.host import Host, System
    from bench.trial.soak.records import Book

RETRY_S = 1.0
"""How often a lost link is looked for."""

COMMAND_S = 600.0
"""A command of the schedule is ended after so long."""

_LOOK_S = 0.1
"""How often somebody who waits looks around."""

_LONGEST = 200


@dataclass(frozen=True, slots=True)
class Around:
    """What a night works with beside links and ledger.

    Attributes:
        clock: The bench's clock.
        system: The host.
        commands: Runs the user's.
        stop: The number of a signal that came, or None.
        paused: Whether a pause is asked for.
        shows: Told of progress within a stretch.
        stands: Told what the night waits for.
    """

    clock: Clock
    system: System
    commands: Commands
    stop: Callable[[], int | None]
    paused: Callable[[], bool]
    shows: Callable[[Progress], None]
    stands: Callable[[str], None]


class Rests:
    """Lets time pass without traffic."""

    def __init__(
        self, around: Around, book: Book, host: Host, over: Callable[[], int | None]
    ) -> None:
        """Nothing passes yet.

        Args:
            around: What it works with.
            book: Where it is written down.
            host: Looked at meanwhile.
            over: Why the night is over; None: it is not.
        """
        self._around, self._book, self._host = around, book, host
        self._over = over

    def for_link(
        self, why: str, make_link: Callable[[], Link], away_ns: int | None
    ) -> Link | None:
        """Wait for a lost link; None if it was not there in time.

        Args:
            why: It is not there.
            make_link: Tries to have it.
            away_ns: How long at most; None: as long as the night lasts.
        """
        host, link = self._host, None
        awake_ns, total_ns = host.since_ns()
        self._around.stands(f"for the link: {why}")
        while link is None and self._over() is None:
            host.look()
            if away_ns is not None and host.since_ns()[0] - awake_ns > away_ns:
                break
            self._pass(RETRY_S)
            if self._over() is None:
                link = _had(make_link)
        now_awake_ns, now_total_ns = host.since_ns()
        more = {"lasted_ns": now_awake_ns - awake_ns}
        if total_ns is not None and now_total_ns is not None:
            more["lasted_total_ns"] = now_total_ns - total_ns
        back = "it was not back after" if link is None else "it was back after"
        text = f"{why}; {back} {format_ns(more['lasted_ns'], 3)}"
        self._book.event("link lost", text, **more)
        return link

    def pause(self) -> None:
        """Somebody asked for a pause."""
        host, around = self._host, self._around
        awake_ns, _ = host.since_ns()
        around.stands("paused")
        while around.paused() and self._over() is None:
            host.look()
            self._pass(_LOOK_S)
        lasted_ns = host.since_ns()[0] - awake_ns
        text = f"paused for {format_ns(lasted_ns, 3)}"
        self._book.event("paused", text, lasted_ns=lasted_ns)

    def silence(self, change: Change, *, live: bool) -> None:
        """Nothing is sent for some time, which is time on the line all the same."""
        book, awake_ns = self._book, self._host.since_ns()[0]
        self._around.stands(change.what)
        lasted_ns = change.lasts_ns
        if live:
            self._pass(change.lasts_ns / NS_PER_S)
            lasted_ns = self._host.since_ns()[0] - awake_ns
        from_ns = book.base_ns
        book.base_ns += lasted_ns
        text = f"nothing was sent for {DURATION.text(change.lasts_ns)}"
        book.event("silence", text, from_ns=from_ns, lasted_ns=lasted_ns)

    def command(self, change: Change) -> None:
        """A command of the user is run to its end."""
        around, awake_ns = self._around, self._host.since_ns()[0]
        around.stands(change.what)
        said = around.commands.run(change.command, COMMAND_S, around.stop)
        lasted_ns = self._host.since_ns()[0] - awake_ns
        text, lines = change.what, said.text.strip().splitlines()
        if lines:
            text += f": {lines[0][:_LONGEST]}"
        event = "command" if said.code == 0 else "command failed"
        if said.code:
            text += f" (exit code {said.code})"
        self._book.event(event, text, lasted_ns=lasted_ns, code=said.code)

    def _pass(self, seconds: float) -> None:
        """Let time pass; less if the night is over."""
        while seconds > 0 and self._around.stop() is None:
            self._around.clock.sleep(min(seconds, _LOOK_S))
            seconds -= _LOOK_S


def _had(make_link: Callable[[], Link]) -> Link | None:
    """A link, if it can be had."""
    try:
        return make_link()
    except LinkError:
        return None
