"""A report as one strict JSON object (RFC 8259), with all that a ledger holds.

Octets of anomalies stay in their log.  No NaN and no infinity; null is "not
observable".
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.budget import Budget
    from bench.ledger import LogRead, StoredRun

VERSION = 1
"""Of the object's shape."""

_OCTETS = frozenset({"expected", "seen", "before"})


def plain(stored: StoredRun, digest: str, budget: Budget | None, version: str) -> str:
    """The JSON text of a run.

    Args:
        stored: The run.
        digest: That of the ledger.
        budget: That of the kept profile; None where there is none.
        version: That of the bench.
    """
    records = stored.intervals.records
    content = {
        "report": VERSION,
        "nightbench": version,
        "folder": str(stored.folder),
        "ledger_sha256": digest,
        "run": stored.run,
        "verdict": stored.verdict,
        "intervals": [row for row in records if "event" not in row],
        "events": [row for row in records if "event" in row],
        "anomalies": [
            {key: row[key] for key in row if key not in _OCTETS}
            for row in stored.anomalies.records
        ],
        "logs": {
            "intervals": _log(stored.intervals),
            "anomalies": _log(stored.anomalies),
        },
        "faults": [str(fault) for fault in stored.faults],
        "budget": None if budget is None else budget.as_dict(),
    }
    text = json.dumps(_strict(content), allow_nan=False, indent=1, sort_keys=True)
    return text + "\n"


def _log(log: LogRead) -> dict[str, Any]:
    """How whole a log is."""
    return {
        "records": len(log.records),
        "damaged_lines": len(log.damaged),
        "torn": log.torn is not None,
        "missing_segments": list(log.missing),
    }


def _strict(value: Any) -> Any:
    """A value without numbers that JSON cannot say."""
    if isinstance(value, dict):
        return {str(key): _strict(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_strict(inner) for inner in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
