"""A small run, the same each time, for tests that break its disk or kill it.

Run as a program it is the run that gets killed: `night.py ROOT AT PART`.  It says each
record that the ledger has taken, and each sync, and strikes itself down at step AT.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crash.faulty import Faulty, killed

from bench.ledger import Ledger, LedgerOptions

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.ledger.files import Files

SEGMENT_OCTETS = 220
"""Small enough for several segments in a dozen records."""

INTERVALS = [{"n": n, "sent": 400 * n, "note": "Ebbe – Flut"} for n in range(14)]
ANOMALIES = [{"n": n, "what": "late", "octets": "A55A" * n} for n in range(0, 14, 3)]
VERDICT = {"verdict": "PASS", "sent": 4400}


def begin(root: Path, files: Files, on_failure: Any = "stop") -> Ledger:
    """The ledger of the run."""
    options = LedgerOptions(on_failure, SEGMENT_OCTETS, files)
    facts: dict[str, Any] = {"seed": 1, "point": {}, "rig": {}, "dut": {}}
    return Ledger.create(root, "20261125T024440Z", "soak", facts, "x = 1\n", options)


def steps(ledger: Ledger, say: Callable[[str], object]) -> None:
    """Everything that the run writes, in its order."""
    for record in INTERVALS:
        ledger.interval(record)
        say("interval")
        if record["n"] % 3 == 0:
            ledger.anomaly(ANOMALIES[record["n"] // 3])
            say("anomaly")
            ledger.sync()
            say("synced")
    ledger.verdict(VERDICT)
    ledger.report("PASS\n")


def say(text: str) -> None:
    """Tell whoever watches, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def main(root: str, at: str, part: str) -> None:
    """Run until killed."""
    with begin(Path(root), Faulty(int(at), int(part), killed)) as ledger:
        steps(ledger, say)


if __name__ == "__main__":
    main(*sys.argv[1:])
