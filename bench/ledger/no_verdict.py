"""A run that breaks off says in its report why there is no verdict."""

from __future__ import annotations

import traceback
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from bench.base.errors import BenchError, LedgerError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.ledger.ledger import Ledger


@contextmanager
def no_verdict_told(ledger: Ledger) -> Iterator[None]:
    """Whatever is raised goes on, and stands in the report if that can be written.

    Args:
        ledger: Of the run, open.
    """
    try:
        yield
    except BenchError as error:
        _report(ledger, [*error.lines, *getattr(error, "__notes__", ())])
        raise
    except Exception:
        _report(ledger, ["a bug of the bench", traceback.format_exc()])
        raise


def _report(ledger: Ledger, lines: Sequence[str]) -> None:
    with suppress(LedgerError):
        ledger.report("\n".join(["no verdict", *lines]) + "\n")
