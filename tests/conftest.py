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

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Say which tests belong together, where tests are spread over workers."""
    for item in items:
        if not item.path.is_relative_to(HERE):
            continue
        place = item.path.relative_to(HERE).as_posix()
        for start, group in TOGETHER.items():
            if place == start or place.startswith(f"{start}/"):
                item.add_marker(pytest.mark.xdist_group(group))
