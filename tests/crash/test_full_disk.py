"""A disk that fills up while a log goes on in a new segment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from crash.faulty import FullFromRoll

from bench.base.errors import LedgerError
from bench.ledger import Ledger, LedgerOptions, LogRead, read_log

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("on_failure", ["stop", "continue"])
def test_full_while_a_segment_begins(tmp_path: Path, on_failure: Any) -> None:
    """Five segments' worth, the disk full from the third roll on: old segments stay.

    The scenario is a known one: rotation that goes on although nothing can be written
    leaves all old segments empty, or the log fails and the run looks fine.
    """
    options = LedgerOptions(on_failure, 64 << 10, FullFromRoll(3))
    facts: dict[str, Any] = {"seed": 1, "point": {}, "rig": {}, "dut": {}}
    records = [{"n": n, "pad": "x" * 200} for n in range(5 * (64 << 10) // 220)]
    ledger = Ledger.create(tmp_path, "20261125T024440Z", "soak", facts, "", options)
    closed: dict[Path, bytes] = {}
    sent, events = 0, []
    for record in records:
        known = sorted(ledger.folder.glob("intervals*"), key=lambda p: (len(p.name), p))
        new = [path for path in known[:-1] if path not in closed]
        closed |= {path: path.read_bytes() for path in new}
        try:
            ledger.interval(record)
        except LedgerError as error:
            events.append(str(error))
            break
        sent += 1
    if on_failure == "continue":
        assert ledger.failed is not None
        events.append(str(ledger.failed))
    ledger.close()

    log = read_log(ledger.folder / "intervals.log")
    kept = len(log.records)
    assert log == LogRead(records[:kept], segments=log.segments)
    assert [name for name, _ in log.segments] == [
        "intervals.log",
        "intervals.0002.log",
        "intervals.0003.log",
    ]
    assert all(64 << 10 >= octets > 65_000 for _, octets in log.segments)
    assert len(closed) == 2
    assert all(path.read_bytes() == octets for path, octets in closed.items())
    assert not list(ledger.folder.glob(".*"))
    assert len(events) == 1
    assert events[0].startswith(f"log stopped at record {kept + 1}: No space left on")
    if on_failure == "continue":
        assert sent == len(records)
        assert ledger.unwritten == len(records) - kept
    else:
        assert (sent, ledger.unwritten) == (kept, 1)
