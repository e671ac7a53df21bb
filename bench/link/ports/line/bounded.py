"""A call of the system that may never return, given a time."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from bench.link.ports.base import FOREIGN

if TYPE_CHECKING:
    from collections.abc import Callable


def returns_within(seconds: float, call: Callable[[], object]) -> bool:
    """Make a call beside the thread that has to react to signals.

    A call that does not return keeps its thread, which does not keep the process.

    Returns:
        Whether it returned in time.

    Raises:
        BaseException: What it threw, if a system's call throws it.
    """
    thrown: list[BaseException] = []

    def make() -> None:
        try:
            call()
        except FOREIGN as error:
            thrown.append(error)

    thread = threading.Thread(target=make, name="bounded call", daemon=True)
    thread.start()
    thread.join(seconds)
    if thrown:
        raise thrown[0]
    return not thread.is_alive()
