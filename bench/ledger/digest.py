"""The digest by which a whole ledger is known, reports apart.

It is the SHA-256 of a list of SHA-256 digests, a line `digest  name` for each file in
the order of names, which is what `sha256sum` prints: with the names as `members` has
them, `sha256sum NAMES | sha256sum` gives the same.
"""

from __future__ import annotations

from hashlib import sha256
from typing import TYPE_CHECKING

from bench.ledger.facts import PROFILE, RUN, VERDICT
from bench.ledger.read import unreadable

if TYPE_CHECKING:
    from bench.ledger.read import StoredRun


def members(stored: StoredRun) -> list[str]:
    """Names of the files that make up a ledger, in order."""
    segments = [*stored.intervals.segments, *stored.anomalies.segments]
    names = {RUN, PROFILE, VERDICT, *(name for name, _ in segments)}
    return sorted(name for name in names if (stored.folder / name).is_file())


def ledger_digest(stored: StoredRun) -> str:
    """The digest of a ledger, in hexadecimal.

    Raises:
        LedgerError: If a file cannot be read any more.
    """
    lines = []
    for name in members(stored):
        path = stored.folder / name
        try:
            octets = path.read_bytes()
        except OSError as error:
            raise unreadable(path, error) from error
        lines.append(f"{sha256(octets).hexdigest()}  {name}\n")
    return sha256("".join(lines).encode()).hexdigest()
