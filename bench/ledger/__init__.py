"""The memory of the bench: the only writer of `logs/`.

A run has a folder of its own.  What is known beforehand (profile, seed, rig, device
under test) is written first and whole; what happens is appended to two logs, one
checksummed line a record; the verdict and the report are written last and whole.
Nothing old is ever deleted, shortened or written over, so whatever the moment of a
crash, what is on the disk is a valid prefix of what would have been there.
"""

from __future__ import annotations

from bench.ledger.facts import FORMAT_VERSION, RunFacts
from bench.ledger.ledger import Ledger, LedgerOptions
from bench.ledger.read import LogRead, StoredRun, read_log, read_run

__all__ = [
    "FORMAT_VERSION",
    "Ledger",
    "LedgerOptions",
    "LogRead",
    "RunFacts",
    "StoredRun",
    "read_log",
    "read_run",
]
