"""What holds for the whole suite: which tests share a worker where there are several.

One worker alone compiles the kernels of the attacks.
"""

from __future__ import annotations

from pathlib import Path

import pytest

TOGETHER = {
    "unit/fuzz": "attacks",
    "unit/test_api_fuzz.py": "attacks",
    "unit/cli/test_fuzz.py": "attacks",
    "twins/test_fuzz.py": "attacks",
}
"""Folders and files under this one, and with whom their tests share a worker."""

LONG = (
    "crash/test_stopped.py::test_log_outgrows_the_disk",
    "links/test_accept_served.py::test_served",
    "links/test_plugin.py::",
    "twins/test_fuzz.py::test_disturbed_lines_are_read_as_a_receiver_reads[spike",
    "twins/test_node.py::test_indexes_are_checked",
    "twins/test_schedule.py::test_kernels_stay_within_their_arrays",
)
"""Tests that take long beside what they add to the others: for the night."""

HERE = Path(__file__).parent


@pytest.hookimpl(tryfirst=True)  # before tests are chosen by their marks
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Say which tests belong together, and which are for the night."""
    for item in items:
        if not item.path.is_relative_to(HERE):
            continue
        place = item.path.relative_to(HERE).as_posix()
        name = f"{place}::{item.name}"
        if name.startswith(LONG):
            item.add_marker(pytest.mark.night)
        for start, group in TOGETHER.items():
            if place == start or place.startswith(f"{start}/"):
                item.add_marker(pytest.mark.xdist_group(group))
