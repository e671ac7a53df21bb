"""A real browser for the page, driven from the tests.

What is missing is said: the tests are skipped where the browser or what drives it is
not there.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest
from page.invented import edge_ledger, night_ledger, sweep_ledger

from bench.api_report import write_report

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

WAIT_MS = 30_000
"""A page is drawn in a second; a busy machine takes longer."""


@dataclass
class Opened:
    """A page in the browser, and what it did.

    Attributes:
        page: The browser's page.
        said: What it wrote on its console, and errors of its scripts.
        asked: Addresses that it asked for, other than its own.
    """

    page: Any
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium without a screen."""
    driver = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed"
    )
    found = [shutil.which(name) for name in ("chromium", "chromium-browser")]
    path = next((one for one in found if one), None)
    if path is None:
        pytest.skip("no chromium on this machine")
    # The sandbox refuses to start for root, which is who runs CI in a container.
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    arguments = ["--no-sandbox"] if root else []
    with driver.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=path, args=arguments)
        yield chromium
        chromium.close()


@pytest.fixture
def opened(browser: Any) -> Iterator[Callable[..., Opened]]:
    """Opens a file in a window of its own."""
    contexts = []

    def open_file(
        path: Path, width: int = 1024, scheme: str = "light", **more: Any
    ) -> Opened:
        size = {"width": width, "height": 900}
        context = browser.new_context(viewport=size, color_scheme=scheme, **more)
        contexts.append(context)
        seen = Opened(context.new_page())
        page = seen.page
        page.set_default_timeout(WAIT_MS)
        page.on("console", lambda message: seen.said.append(message.text[:300]))
        page.on("pageerror", lambda error: seen.said.append(str(error)[:300]))
        own = path.resolve().as_uri()
        page.on(
            "request",
            lambda request: (
                seen.asked.append(request.url)
                if request.url.split("#")[0] != own
                and not request.url.startswith("data:")
                else None
            ),
        )
        page.goto(own)
        page.wait_for_selector("html[data-drawn]")
        return seen

    yield open_file
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a night with a bit of everything."""
    pytest.importorskip("plotly", reason="plotly is not installed")
    folder = night_ledger(tmp_path_factory.mktemp("logs"), hours=2, anomalies=400)
    return write_report(folder)


@pytest.fixture(scope="session")
def searches(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pages of a sweep and of a search for an edge."""
    pytest.importorskip("plotly", reason="plotly is not installed")
    logs = tmp_path_factory.mktemp("logs")
    return {
        "map": write_report(sweep_ledger(logs)),
        "trace": write_report(edge_ledger(logs)),
    }
