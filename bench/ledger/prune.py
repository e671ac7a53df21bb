"""Old runs put away, when somebody says which.

The one place where anything of a ledger is ever deleted.  A run of a newer format is
not touched, nor one that may still go on: it has no verdict, and was written not long
ago.  A folder is renamed first, so that what is left of a deletion that was cut short
is not taken for a damaged run; the next deletion takes it away.
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from bench.base.errors import Fault, LedgerError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from bench.ledger.index import Listed

GOING_ON_S = 24 * 3600.0
"""A run without a verdict may be paused; if nothing came for a day, it is over."""

_GONE = ".gone-"


def picked(
    runs: Iterable[Listed],
    *,
    now_s: float,
    older_s: float | None = None,
    larger: int | None = None,
) -> list[Listed]:
    """The runs that are older and larger than asked for.

    Args:
        runs: All of them.
        now_s: POSIX seconds.
        older_s: Last written longer ago than this; None for any age.
        larger: Of more octets than this; None for any size.
    """
    return [
        run
        for run in runs
        if (older_s is None or now_s - run.written_s > older_s)
        and (larger is None or run.octets > larger)
    ]


def kept_all_the_same(run: Listed, now_s: float) -> str:
    """Why a run is not deleted, although it was picked; "" if it is."""
    if run.state == "newer":
        return "of a newer format"
    if run.verdict is None and now_s - run.written_s < GOING_ON_S:
        return "may still go on"
    return ""


def delete(logs: Path, runs: Sequence[Listed]) -> list[Listed]:
    """Delete runs; returns those that are gone.

    Raises:
        LedgerError: At the first that cannot be deleted; it says which.
    """
    gone: list[Listed] = []
    for rest in sorted(logs.glob(f"{_GONE}*")):
        if rest.is_dir() and not rest.is_symlink():
            _remove(rest)
    for run in runs:
        hidden = run.folder.with_name(_GONE + run.folder.name)
        try:
            run.folder.rename(hidden)
        except OSError as error:
            raise _not_deleted(run.folder, error) from error
        _remove(hidden)
        gone.append(run)
    return gone


def _remove(folder: Path) -> None:
    try:
        shutil.rmtree(folder)
    except OSError as error:
        raise _not_deleted(folder, error) from error


def _not_deleted(folder: Path, error: OSError) -> LedgerError:
    why = error.strerror or str(error)
    return LedgerError(Fault("run not deleted", why, where=str(folder)))
