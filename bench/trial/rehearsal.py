"""One frame of a trial that nobody sees: whatever must be compiled, is.

Kernels are compiled when they are first called, which takes half a minute the first
time on a machine, and the compiler cannot be told to stop.  So the first frame is
rehearsed in a thread of its own, and a request to stop leaves it behind.  Where the
kernels are kept from earlier, the rehearsal loads them and takes a moment.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from bench.base.clock import JumpClock
from bench.trial.runner import Tools, run

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from bench.link.link import Link
    from bench.trial.plan import Plan
    from bench.trial.runner import Progress

_LINE_NS = 1_000_000
"""A line without packets is rehearsed for so long."""

_LOOK_S = 0.05
"""How often a request to stop is looked for."""

_THREAD = "aside"

Made = TypeVar("Made")


def rehearse(
    plan: Plan, make_link: Callable[[], Link], stop: Callable[[], int | None]
) -> bool:
    """Carry one frame of a plan over a link of its own; whether it came to its end.

    Args:
        plan: The trial.
        make_link: A link like the one that the trial will use.
        stop: As in `Tools`.
    """
    if plan.line is not None:
        short = replace(plan, duration_ns=_LINE_NS)
    else:
        own = 1 if plan.profile.packet.shared else len(plan.profile.node)
        short = replace(plan, packets=own, duration_ns=None)

    def carry() -> None:
        with make_link() as link:
            run(short, link, Tools(JumpClock(), _Nobody(), _Nobody(), lambda: None))

    return aside(carry, stop) is not None


class _Nobody:
    """Keeps no records and looks at nothing."""

    def interval(self, record: Mapping[str, Any]) -> None: ...
    def anomaly(self, record: Mapping[str, Any]) -> None: ...
    def sync(self) -> None: ...
    def begun(self, folder: Path) -> None: ...
    def progress(self, progress: Progress) -> None: ...


# --- work that cannot be told to stop -------------------------------------------------


@dataclass(frozen=True, slots=True)
class Done(Generic[Made]):
    """Work that came to its end, and what it made."""

    made: Made


def aside(
    work: Callable[[], Made], stop: Callable[[], int | None]
) -> Done[Made] | None:
    """Do work in a thread of its own; None if it was told to stop and left behind.

    The process can end without waiting for such a thread.

    Raises:
        Exception: What the work raised.
    """
    ended: list[Done[Made] | Exception] = []

    def body() -> None:
        try:
            ended.append(Done(work()))
        except Exception as error:  # raised again where it is waited for
            ended.append(error)

    thread = threading.Thread(target=body, name=_THREAD, daemon=True)
    thread.start()
    while thread.is_alive():
        if stop() is not None:
            return None
        thread.join(_LOOK_S)
    end = ended[0]
    if isinstance(end, Exception):
        raise end
    return end
