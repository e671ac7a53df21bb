"""The page in a real browser: quiet, complete, movable by hand and by keyboard."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from page.conftest import Opened

SPAN = "document.querySelector('#ribbon-chart .plot')"


def axis_of(page: Any) -> list[float]:
    """From when to when the ribbon is shown, in seconds."""
    found: list[float] = page.evaluate(f"{SPAN}.layout.xaxis.range.map(Number)")
    return found


def until(page: Any, expression: str) -> None:
    """Wait until the page says so; its policy refuses the driver's own way."""
    for _ in range(400):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(25)
    pytest.fail(f"it never came to {expression}")


def said_of(page: Any) -> str:
    """What the page says is shown."""
    text: str = page.inner_text("#ribbon-chart output")
    return text


def test_it_opens_from_disk_and_is_quiet(
    opened: Callable[..., Opened], night: Path
) -> None:
    """No error, nothing on the console, and nothing asked of anybody."""
    seen = opened(night)
    assert seen.page.title().startswith("FAIL: causeway")
    assert seen.page.locator(".plot .main-svg").count() > 0
    assert (seen.said, seen.asked) == ([], [])


def test_the_policy_keeps_it_from_talking(
    opened: Callable[..., Opened], night: Path
) -> None:
    """Whatever gets into the page, it can neither load nor run nor send anything."""
    page = opened(night).page
    tried = page.evaluate(
        """async () => {
          const told = [];
          try { await fetch('data:text/plain,x'); told.push('fetched'); } catch {}
          const script = document.createElement('script');
          script.textContent = 'window.struck = true';
          document.body.append(script);
          const image = document.createElement('img');
          image.setAttribute('onerror', 'window.struck = true');
          image.src = 'file:///nowhere.png';
          document.body.append(image);
          await new Promise(done => setTimeout(done, 50));
          if (window.struck) told.push('struck');
          return told;
        }"""
    )
    assert tried == []


def test_the_verdict_comes_first(opened: Callable[..., Opened], night: Path) -> None:
    """Verdict, sentence, how sure and what nobody could see stand before all else."""
    page = opened(night).page
    headings = page.locator("h2").all_inner_texts()
    assert headings[0].split()[-1] == "FAIL"
    opening = page.inner_text("#verdict")
    assert "With 95 % confidence the loss is below 1 in" in opening
    assert "packets are lost independently of each other" in opening
    assert "Marginal pulses, latch gaps" in opening
    assert page.locator("main > section").first.get_attribute("id") == "verdict"


def test_buttons_zoom_and_move(opened: Callable[..., Opened], night: Path) -> None:
    """Closer halves what is shown, earlier and later move it; all of it comes back."""
    page = opened(night).page
    assert axis_of(page) == [0, 7200]
    page.click("#ribbon-chart [data-do=in]")
    assert axis_of(page) == [1800, 5400]
    assert said_of(page) == "0:30:00 to 1:30:00 of 2:00:00"
    page.click("#ribbon-chart [data-do=on]")
    assert axis_of(page) == [2700, 6300]
    page.click("#ribbon-chart [data-do=on]")
    page.click("#ribbon-chart [data-do=on]")
    assert axis_of(page) == [3600, 7200], "it stops at the end"
    page.click("#ribbon-chart [data-do=all]")
    assert (axis_of(page), said_of(page)) == ([0, 7200], "the whole run")


def test_keys_zoom_and_move(opened: Callable[..., Opened], night: Path) -> None:
    """The same with nothing but a keyboard, from the top of the page on."""
    page = opened(night).page
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate(f"document.activeElement === {SPAN}"):
            break
    else:
        pytest.fail("the ribbon cannot be reached by the keyboard")
    outline = page.evaluate(f"getComputedStyle({SPAN}).outlineStyle")
    assert outline != "none", "one sees where one is"
    page.keyboard.press("+")
    page.keyboard.press("ArrowLeft")
    assert axis_of(page) == [900, 4500]
    page.keyboard.press("-")
    assert axis_of(page) == [0, 7200]
    page.keyboard.press("+")
    page.keyboard.press("0")
    assert axis_of(page) == [0, 7200]


def test_dragging_zooms(opened: Callable[..., Opened], night: Path) -> None:
    """A drag across the ribbon shows what was dragged over, and labels stay times."""
    page = opened(night).page
    page.locator("#ribbon-chart .plot").scroll_into_view_if_needed()
    box = page.locator("#ribbon-chart .plot .nsewdrag").nth(1).bounding_box()
    middle = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.25, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.5, middle, steps=6)
    page.mouse.up()
    until(page, f"{SPAN}.layout.xaxis.range[1] < 7000")
    begun, ended = axis_of(page)
    assert begun == pytest.approx(1800, abs=40)
    assert ended == pytest.approx(3600, abs=40)
    labels = page.locator("#ribbon-chart .xtick text").all_text_contents()
    assert labels
    assert all(len(label.split(":")) == 2 for label in labels), labels


@pytest.mark.parametrize("width", [390, 1024, 1600])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_fits_every_width(
    opened: Callable[..., Opened], night: Path, width: int, scheme: str
) -> None:
    """Nothing sticks out sideways, and ink and paper follow the reader's system."""
    page = opened(night, width, scheme).page
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth") == width
    red, green, blue = page.evaluate(
        "getComputedStyle(document.body).backgroundColor.match(/\\d+/g).map(Number)"
    )
    assert (red + green + blue > 600) == (scheme == "light")
    small = page.evaluate(
        """[...document.querySelectorAll('main p, main td, main dd, main th')]
          .filter(one => parseFloat(getComputedStyle(one).fontSize) < 12.5).length"""
    )
    assert small == 0, "everything can be read"


def test_colours_follow_a_change(opened: Callable[..., Opened], night: Path) -> None:
    """Charts change with the system, without loading anything."""
    seen = opened(night)
    page = seen.page
    colour = f"{SPAN}.layout.font.color"
    assert page.evaluate(colour) == "#585d63"
    page.emulate_media(color_scheme="dark")
    until(page, f"{SPAN}.layout.font.color === '#aaa8a2'")
    assert seen.said == []


def test_it_prints(opened: Callable[..., Opened], night: Path) -> None:
    """On paper it is light whatever the screen is, unfolded where it is worth it."""
    seen = opened(night, 1024, "dark")
    page = seen.page
    page.emulate_media(media="print", color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    paper = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert paper == "rgb(255, 255, 255)"
    assert page.evaluate(f"{SPAN}.layout.font.color") == "#585d63"
    assert page.evaluate(f"{SPAN}.layout.width") <= 700, "it fits on the paper"
    assert page.locator("details[data-print]:not([open])").count() == 0
    assert not page.locator("nav").is_visible()
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen", color_scheme="dark")
    assert page.locator("details[open]").count() == 0
    assert page.pdf(format="A4").startswith(b"%PDF")
    assert seen.said == []


def test_every_drawing_is_told_too(
    opened: Callable[..., Opened], night: Path, searches: dict[str, Path]
) -> None:
    """Each chart has a name, a summary and a table beside it."""
    for path in (night, *searches.values()):
        page = opened(path).page
        for chart in page.locator("figure.chart").all():
            plot = chart.locator(".plot")
            assert plot.get_attribute("aria-label")
            words = (plot.get_attribute("aria-describedby") or "").split()
            assert len(page.inner_text(f"#{words[0]}")) > 30
            section = chart.locator("xpath=ancestor::section")
            assert section.locator("table.grid").count() > 0


def test_searches_are_drawn(
    opened: Callable[..., Opened], searches: dict[str, Path]
) -> None:
    """A sweep has its map and an edge its trace, and both are quiet."""
    for name, path in searches.items():
        seen = opened(path)
        assert seen.page.locator(f"#{name}-chart .main-svg").count() > 0
        assert (seen.said, seen.asked) == ([], [])
    page = opened(searches["map"]).page
    words = page.locator("#map-chart .annotation-text").all_text_contents()
    assert {"pass", "marginal", "30 %", "void"} <= set(words)


def test_without_scripts_it_can_be_read(browser: Any, night: Path) -> None:
    """With scripts switched off the verdict and all figures are there."""
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(night.resolve().as_uri())
    text = page.inner_text("main")
    assert "FAIL" in text
    assert "its figures stand in the table" in text
    context.close()
