"""How long the report of a night takes, and how large it is.

Wanted: a night of ten hours in intervals of 10 s, with thousands of anomalies, in under
5 s and under 6 MB; measured as a process, start-up included, and printed.
"""

from __future__ import annotations

import subprocess
import sys
from time import perf_counter
from typing import TYPE_CHECKING

import pytest
from page.invented import night_ledger

from bench.api_report import FORMS

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.speed


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The ledger of a night."""
    return night_ledger(tmp_path_factory.mktemp("logs"), hours=10, anomalies=3000)


@pytest.mark.parametrize("form", list(FORMS))
def test_report_of_a_night(folder: Path, form: str) -> None:
    """Prints how long one form takes and how large it is."""
    pytest.importorskip("plotly", reason="plotly is not installed")
    command = [sys.executable, "-m", "bench", "report", str(folder), "--format", form]
    begun = perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    took_s = perf_counter() - begun
    size = (folder / FORMS[form]).stat().st_size
    print(f"\n{form}: {took_s:.2f} s, {size / 1e6:.2f} MB")  # noqa: T201
    assert size > 1000
