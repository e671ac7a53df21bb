"""The live page in a real browser: drawn, kept up to date, and fit for everybody."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from page.conftest import WAIT_MS
from page.test_axe import violations
from unit.report.watch.test_told import SNAPSHOT

from bench.report.watch import Watch, new_token

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

HOSTILE = '</script><img src=x onerror="document.title=1">'


@pytest.fixture(scope="module")
def axe() -> Any:
    """The engine."""
    module = pytest.importorskip(
        "axe_playwright_python.sync_playwright",
        reason="axe-playwright-python is not installed",
    )
    return module.Axe()


@pytest.fixture
def looking(browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens a live page; what it says and asks for is kept in lists of it."""
    contexts = []

    def look(url: str, **more: Any) -> Any:
        context = browser.new_context(**more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.said, page.asked = [], []
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto(url)
        return page

    yield look
    for context in contexts:
        context.close()


def shown(number: int = 1, **more: Any) -> dict[str, Any]:
    """A snapshot."""
    return {**SNAPSHOT, "interval": {**SNAPSHOT["interval"], "number": number}, **more}


def test_drawn_and_kept_up_to_date(looking: Callable[..., Any]) -> None:
    """What is shown appears, without a word on the console; later it is the later."""
    with Watch(0) as watch:
        watch.show(shown())
        page = looking(watch.url)
        page.wait_for_selector("#figures dd")
        assert page.inner_text("h1") == "causeway"
        assert page.inner_text("#state") == "Running"
        assert "not observable" in page.inner_text("#figures")
        assert page.locator("#ribbon rect").count() >= 1
        watch.show(shown(2, state="ended", verdict="PASS", reason="all shown"))
        page.wait_for_selector("#state:has-text('Ended')")
        assert page.title().startswith("PASS causeway")
        assert page.inner_text("#state") == "Ended: PASS. all shown"
        assert page.said == []
        assert all(url.startswith(watch.url) for url in page.asked)


def test_hostile_texts(looking: Callable[..., Any]) -> None:
    """Texts that people wrote stay texts."""
    with Watch(0) as watch:
        events = [{"event": HOSTILE, "text": HOSTILE}]
        watch.show(shown(profile=HOSTILE, reason=HOSTILE, events=events))
        page = looking(watch.url)
        page.wait_for_selector("#figures dd")
        assert page.inner_text("h1") == HOSTILE
        assert page.locator("img").count() == 0
        assert page.said == []


def test_token(looking: Callable[..., Any]) -> None:
    """The whole address opens the page, without its token it says what it lacks."""
    token = new_token()
    with Watch(0, token=token) as watch:
        watch.show(shown())
        page = looking(watch.url)
        page.wait_for_selector("#figures dd")
        assert not any(token in url for url in page.asked)
        bare = looking(watch.url.partition("#")[0])
        bare.wait_for_selector("#state:has-text('token')")
        assert bare.locator("#figures dd").count() == 0


def test_the_bench_is_gone(looking: Callable[..., Any]) -> None:
    """A page whose bench has ended says that what it shows is old."""
    watch = Watch(0)
    watch.show(shown())
    page = looking(watch.url)
    page.wait_for_selector("#figures dd")
    watch.close()
    page.wait_for_selector("#state:has-text('does not answer')")


@pytest.mark.parametrize("width", [390, 1024, 1600])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_for_everybody(
    looking: Callable[..., Any], axe: Any, width: int, scheme: str
) -> None:
    """An accessibility engine passes it, and it does not scroll sideways."""
    with Watch(0) as watch:
        for number in range(70):
            watch.show(shown(number))
        page = looking(
            watch.url,
            viewport={"width": width, "height": 900},
            color_scheme=scheme,
            bypass_csp=True,  # the engine is put into the page
        )
        page.wait_for_selector("#figures dd")
        assert violations(axe, page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= width
