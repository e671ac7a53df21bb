"""A report as one page that needs nothing else: no network, no fonts, no images.

Everything that people or boards wrote is escaped.  A policy in the page itself lets
only the two scripts run whose digests it names, the plotting library and our own, and
forbids it to load anything or to talk to anybody; so a name that should slip through
would still do nothing.  Without scripts the page lacks its drawings, and every one of
them stands there in words and as a table.
"""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from hashlib import sha256
from html import escape
from importlib import resources
from typing import TYPE_CHECKING

from bench.report.night.blocks import Chart, Fold
from bench.report.night.charts.ink import PAIRS, no_library
from bench.report.night.web.pieces import as_json, block_html, opening_html

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.report.night.blocks import Block, Chapter, Night

__all__ = ["page"]


def page(night: Night) -> str:
    """The page.

    Raises:
        UsageError: If the plotting library is not installed.
    """
    drawn = any(True for _ in _charts(night))
    scripts = [_library(), _own("hands.js")] if drawn else [_own("hands.js")]
    title = f"{night.opening.word}: {night.title}, {night.subtitle}"
    chapters = "".join(_chapter(chapter) for chapter in night.chapters)
    running = "".join(f"<script>{script}</script>\n" for script in scripts)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_policy(scripts)}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<meta name="referrer" content="no-referrer">
<title>{escape(title)}</title>
<style>
{_own("look.css")}</style>
</head>
<body>
<a class="skip" href="#verdict">To the verdict</a>
<header>
<h1>{escape(night.title)}</h1>
<p>{escape(night.subtitle)}</p>
</header>
{_contents(night.chapters)}<main>
{opening_html(night.opening)}{chapters}</main>
<footer><p>{escape(night.foot)}</p></footer>
<script type="application/json" id="inks">{as_json(PAIRS)}</script>
{running}</body>
</html>
"""


def _contents(chapters: Sequence[Chapter]) -> str:
    rows = "".join(
        f'<li><a href="#{chapter.name}">{escape(chapter.title)}</a></li>\n'
        for chapter in chapters
    )
    first = '<li><a href="#verdict">Verdict</a></li>\n'
    return f'<nav aria-label="Contents">\n<ol>\n{first}{rows}</ol>\n</nav>\n'


def _chapter(chapter: Chapter) -> str:
    blocks = "".join(block_html(block) for block in chapter.blocks)
    name = chapter.name
    return (
        f'<section id="{name}" aria-labelledby="{name}-title">\n'
        f'<h2 id="{name}-title">{escape(chapter.title)}</h2>\n{blocks}</section>\n'
    )


def _charts(night: Night) -> Iterator[Chart]:
    """Every drawing of a report."""

    def within(blocks: Sequence[Block]) -> Iterator[Chart]:
        for block in blocks:
            if isinstance(block, Chart):
                yield block
            elif isinstance(block, Fold):
                yield from within(block.blocks)

    for chapter in night.chapters:
        yield from within(chapter.blocks)


# --- scripts --------------------------------------------------------------------------


def _policy(scripts: Sequence[str]) -> str:
    """What the page may do: run these scripts, style itself, and nothing else."""
    digests = [b64encode(sha256(text.encode()).digest()).decode() for text in scripts]
    allowed = " ".join(f"'sha256-{digest}'" for digest in digests)
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


@cache
def _own(name: str) -> str:
    """A file beside this one."""
    return resources.files(__name__).joinpath(name).read_text("utf-8")


def _library() -> str:
    """The plotting library, as it may stand in a page.

    Raises:
        UsageError: If it is not installed.
    """
    try:
        from plotly.offline import get_plotlyjs
    except ImportError as error:
        raise no_library() from error
    text: str = get_plotlyjs()
    # Inside a script, only these two could end it or turn the page over.
    return text.replace("</script", "<\\/script").replace("<!--", "<\\!--")
