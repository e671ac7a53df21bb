"""An accessibility engine looks over the page.

axe-core by Deque, as the package axe-playwright-python brings it: rules after WCAG 2.0,
2.1 and 2.2, levels A and AA, and its best practices.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from page.conftest import Opened


@pytest.fixture(scope="module")
def axe() -> Any:
    """The engine."""
    module = pytest.importorskip(
        "axe_playwright_python.sync_playwright",
        reason="axe-playwright-python is not installed",
    )
    return module.Axe()


def violations(axe: Any, page: Any) -> list[str]:
    """What the engine finds wrong, a line each."""
    found = axe.run(page, options={"resultTypes": ["violations"]}).response
    return [
        f"{rule['id']}: {node['html'][:160]}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1600, "light")])
def test_night(
    axe: Any, opened: Callable[..., Opened], night: Path, width: int, scheme: str
) -> None:
    """The page of a night has no violation, folded or unfolded."""
    # The engine is put into the page, which the page's own policy would refuse.
    page = opened(night, width, scheme, bypass_csp=True).page
    assert violations(axe, page) == []
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert violations(axe, page) == []


@pytest.mark.parametrize("name", ["map", "trace"])
def test_searches(
    axe: Any, opened: Callable[..., Opened], searches: dict[str, Path], name: str
) -> None:
    """Nor have those of a sweep and of an edge."""
    page = opened(searches[name], bypass_csp=True).page
    assert violations(axe, page) == []
