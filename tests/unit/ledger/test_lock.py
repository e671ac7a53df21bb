"""One ledger has one writer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from bench.base.errors import LedgerError
from bench.ledger import Ledger, read_run

if TYPE_CHECKING:
    from pathlib import Path

pytest.importorskip("fcntl")

FACTS: dict[str, Any] = {"seed": 1, "point": {}, "rig": {}, "dut": {}}


def test_second_writer(tmp_path: Path) -> None:
    """Whoever comes second is refused in one line, reads, and may write afterwards."""
    with Ledger.create(tmp_path, "20261125T024440Z", "soak", FACTS, "") as ledger:
        ledger.interval({"n": 1})
        with pytest.raises(LedgerError, match="another bench writes this ledger"):
            Ledger.resume(ledger.folder)
        assert read_run(ledger.folder).intervals.records == [{"n": 1}]
        ledger.interval({"n": 2})
    with Ledger.resume(ledger.folder) as again:
        again.interval({"n": 3})
        with pytest.raises(LedgerError, match="another bench writes this ledger"):
            Ledger.resume(ledger.folder)
    assert len(read_run(ledger.folder).intervals.records) == 3


def test_refused_resume_lets_go(tmp_path: Path) -> None:
    """A resume that fails for another reason holds nothing."""
    with Ledger.create(tmp_path, "20261125T024440Z", "soak", FACTS, "") as ledger:
        ledger.verdict({"verdict": "PASS"})
    for _ in range(2):
        with pytest.raises(LedgerError, match="run has ended"):
            Ledger.resume(ledger.folder)
