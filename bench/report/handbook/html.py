"""A document as one HTML page that needs nothing else: no network, no script, no image.

Tables are tables, with captions and heads that a screen reader tells, and facts a list
of terms; strips are drawn beside them and not read out.  Wide tables scroll by
themselves on a narrow screen and wrap on paper.  Light and dark follow the reader's
system; paper is always light.  Everything that people wrote is escaped, and a policy in
the page itself forbids it to load anything.  It is ASCII, so that no server and no disk
can mistake its encoding.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from bench.report.handbook.document import Facts, Listing, Strip, Table, Words

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.report.handbook.document import Block, Document, Section

_MANY = 4
"""Columns beyond which a table is not squeezed into a narrow screen."""

_STYLE = """
:root { color-scheme: light dark; --ground: #fff; --ink: #1b1b1f; --faint: #55585f;
  --line: #b9bdc6; --tint: #eef1f6; --mark: #0a4f8f; }
@media (prefers-color-scheme: dark) { :root { --ground: #14161a; --ink: #e8e9ec;
  --faint: #a9adb6; --line: #4a4f59; --tint: #20242b; --mark: #8cc4f5; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 50rem; padding: 1rem; background: var(--ground);
  color: var(--ink); font: 1rem/1.5 system-ui, sans-serif; overflow-wrap: break-word; }
h1 { margin: 0; font-size: 1.7rem; line-height: 1.2; }
h2 { margin: 2.2rem 0 .6rem; padding-top: .4rem; border-top: .15rem solid var(--mark);
  font-size: 1.2rem; }
header p { margin: .3rem 0 0; color: var(--faint); }
a { color: var(--mark); }
nav ol { columns: 17rem; padding-left: 1.6rem; }
.wide { overflow-x: auto; margin: 1rem 0; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption { padding-bottom: .3rem; color: var(--faint); text-align: left; }
th, td { padding: .25rem .6rem .25rem 0; border-bottom: 1px solid var(--line);
  text-align: left; vertical-align: top; font-weight: normal; }
thead th { color: var(--faint); border-bottom-color: var(--ink); }
tbody th { font-weight: 600; }
dl { margin: 1rem 0; }
dl div { display: grid; grid-template-columns: 11rem 1fr; gap: 0 .6rem;
  padding: .25rem 0; border-bottom: 1px solid var(--line); }
dt { font-weight: 600; } dd { margin: 0; min-width: 0; }
@media (max-width: 34rem) { dl div { display: block; } }
.strip { display: flex; flex-wrap: wrap; gap: .25rem 0; margin: 1rem 0 0; padding: 0; }
.strip div { flex: 1 0 auto; padding: .2rem .5rem; background: var(--tint);
  border: 1px solid var(--line); border-left-width: .2rem;
  border-left-color: var(--mark); }
.strip small { display: block; color: var(--faint); }
figure { margin: 1rem 0; }
figcaption { color: var(--faint); }
pre { margin: .3rem 0 0; padding: .6rem; background: var(--tint);
  font: .85rem/1.45 ui-monospace, monospace; white-space: pre-wrap;
  overflow-wrap: anywhere; }
table.many { min-width: 36rem; }
@page { margin: 18mm; }
@media print { :root { --ground: #fff; --ink: #000; --faint: #444; --line: #999;
    --tint: #f4f4f4; --mark: #000; }
  body { max-width: none; padding: 0; font-size: 10pt; }
  nav { display: none; } h2 { break-after: avoid; }
  .wide { overflow: visible; } table.many { min-width: 0; }
  tr, dl div, .strip { break-inside: avoid; }
  thead { display: table-header-group; } pre { font-size: 8pt; } }
""".strip()


def html(document: Document) -> str:
    """The page."""
    title = f"{document.title}: {document.subtitle}"
    contents = "".join(
        f'<li><a href="#s{number}">{escape(section.title)}</a></li>\n'
        for number, section in enumerate(document.sections, start=1)
    )
    sections = "".join(
        _section(number, section)
        for number, section in enumerate(document.sections, start=1)
    )
    page = f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{escape(title)}</title>
<style>
{_STYLE}
</style>
</head>
<body>
<header>
<h1>{escape(document.title)}</h1>
<p>{escape(document.subtitle)}</p>
</header>
<nav aria-label="Contents">
<ol>
{contents}</ol>
</nav>
<main>
{sections}</main>
</body>
</html>
"""
    return page.encode("ascii", "xmlcharrefreplace").decode("ascii")


_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


def _section(number: int, section: Section) -> str:
    name = f"s{number}"
    blocks = "".join(_block(block) for block in section.blocks)
    title = f"{number}&ensp;{escape(section.title)}"
    return (
        f'<section aria-labelledby="{name}">\n<h2 id="{name}">{title}</h2>\n'
        f"{blocks}</section>\n"
    )


def _block(block: Block) -> str:
    if isinstance(block, Words):
        return f"<p>{escape(block.text)}</p>\n"
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Strip):
        return _strip(block)
    return _listing(block)


def _facts(facts: Facts) -> str:
    rows = "".join(
        f"<div><dt>{escape(label)}</dt><dd>{escape(sentence)}</dd></div>\n"
        for label, sentence in facts.rows
    )
    return f"<dl>\n{rows}</dl>\n"


def _table(table: Table) -> str:
    heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in table.heads)
    rows = "".join(_row(row) for row in table.rows)
    what = escape(table.what)
    many = ' class="many"' if len(table.heads) > _MANY else ""
    return (
        f'<div class="wide" role="group" tabindex="0" aria-label="{what}">'
        f"<table{many}><caption>{what}</caption>\n"
        f"<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}</tbody></table></div>\n"
    )


def _row(cells: Sequence[str]) -> str:
    first, *rest = cells
    others = "".join(f"<td>{escape(cell)}</td>" for cell in rest)
    return f'<tr><th scope="row">{escape(first)}</th>{others}</tr>\n'


def _strip(strip: Strip) -> str:
    cells = "".join(
        f"<div>{escape(name)}<small>{escape(size)}</small></div>\n"
        for name, size in strip.cells
    )
    return (
        f"<figure><figcaption>{escape(strip.what)}</figcaption>\n"
        f'<div class="strip" aria-hidden="true">\n{cells}</div></figure>\n'
    )


def _listing(listing: Listing) -> str:
    lines = escape("\n".join(listing.lines))
    what = escape(listing.what)
    return f"<figure><figcaption>{what}</figcaption>\n<pre>{lines}</pre></figure>\n"
