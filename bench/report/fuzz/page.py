"""The page of a campaign: the verdict, attacks × outcomes, and each finding as a note.

Made from `verdict.json` and `run.json` alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns
from bench.report.fuzz.note import note, often
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.summary import kept, whereabouts

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LABELS = 14
_NAMES = 23
"""Width of the column of attacks' names."""

_NONE = Piece("–", "faint")

_FAULTS_SHOWN = 6


def fuzz_page(
    verdict: Content, run: Content, width: int = WIDTH, *, whole: bool = True
) -> Page:
    """The page of a campaign.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
        whole: Whether attacks that found nothing have a row each, or one together.
    """
    page = Page(_LABELS, width)
    _verdict(page, verdict)
    page.blank()
    if verdict["fuzz"]["cases"]:
        page.field("attacked", _tried(verdict, run))
        page.field("receivers", _coverage(verdict["fuzz"]))
    if corpus := _corpus(verdict["fuzz"]["corpus"]):
        page.field("corpus", corpus)
    if verdict["fuzz"]["attacks"]:
        page.blank()
        attacks = verdict["fuzz"]["attacks"]
        attacks_table(page, attacks if whole else _joined(attacks), width)
    _findings(page, verdict["fuzz"]["findings"])
    label = "notes"
    for text in verdict["notes"]:
        page.blank() if label else None
        page.field(label, text)
        label = ""
    whereabouts(page, verdict, run)
    return page


def fuzz_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = Page(_LABELS, width)
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    kept(page, verdict, run)
    return page


def _verdict(page: Page, verdict: Content) -> None:
    """The verdict, and what else is to be said."""
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    label = "also"
    for text in verdict["void"][:_FAULTS_SHOWN]:
        if text != verdict["reason"]:
            page.field(label, text)
            label = ""
    if verdict["signal"] or verdict["fuzz"]["open"]:
        what = f"by {verdict['signal']}; " if verdict["signal"] else ""
        page.field("stopped", f"{what}to go on:")
        page.whole("", f"nightbench fuzz --resume {verdict['run']}")


def _tried(verdict: Content, run: Content) -> str:
    """What was attacked, and with how much."""
    fuzz = verdict["fuzz"]
    parts = [run["profile"]]
    if run["point"]:
        parts[0] += " with " + ", ".join(
            f"{path} = {value}" for path, value in sorted(run["point"].items())
        )
    parts.append(f"{format_count(fuzz['cases'])} cases")
    parts.append(f"{glued(format_ns(verdict['trial_ns'], 3))} of characters")
    spent_ns = verdict["spent_ns"]
    if spent_ns > 0:
        rate = round(1e9 * fuzz["cases"] / spent_ns)
        parts.append(f"{format_count(rate)} cases a second")
    parts += [f"seed {verdict['seed']}", f"link {run['link']}"]
    return ", ".join(parts)


def _coverage(fuzz: Content) -> str:
    """What receivers made of what looked like a packet, where anybody can tell."""
    if fuzz["coverage"] is None:
        return "not observable: what receivers made of it"
    most_first = sorted(fuzz["coverage"].items(), key=lambda pair: -pair[1])
    return ", ".join(f"{word} {format_count(count)}" for word, count in most_first)


def _corpus(corpus: Content) -> str:
    """What became of the cases that were there before."""
    if not corpus["replayed"]:
        return ""
    parts = [f"{corpus['replayed']} replayed", f"{corpus['failed']} fail still"]
    if corpus["mended"]:
        parts.append(f"{corpus['mended']} no longer fail and were moved")
    return ", ".join(parts)


# --- attacks × outcomes ---------------------------------------------------------------


def attacks_table(page: Page, attacks: Sequence[Content], width: int) -> None:
    """A row for each attack, a column for each outcome.

    Args:
        page: Where it goes.
        attacks: As the verdict has them.
        width: Columns that there are; outcomes that do not fit are in one column.
    """
    oracles = sorted({oracle for row in attacks for oracle in row["by"]})
    room = width - _NAMES - 24
    if sum(len(oracle) + 3 for oracle in oracles) > room:
        oracles = []
    heads = ["cases", "good", *(oracles or ["found"])]
    rows = [(f"  {row['attack']}", _cells(row, oracles)) for row in _in_order(attacks)]
    table = Page(_NAMES, width)
    table.table("attack", heads, rows)
    page.lines += table.lines
    page.row("", [Piece("a case of several attacks stands with each of them", "faint")])


def _joined(attacks: Sequence[Content]) -> list[Content]:
    """Those that found something, and one row for the others."""
    found = [row for row in attacks if row["found"]]
    others = [row for row in attacks if not row["found"]]
    if len(others) < 2:
        return list(attacks)
    cases = sum(row["cases"] for row in others)
    name = f"{len(others)} others" if found else f"all {len(others)}"
    row = {"attack": name, "cases": cases, "good": cases, "found": 0, "by": {}}
    return [*found, row]


def _in_order(attacks: Sequence[Content]) -> list[Content]:
    """Those that found something first."""
    return sorted(attacks, key=lambda row: not row["found"])


def _cells(row: Content, oracles: Sequence[str]) -> list[Piece]:
    cells = [Piece(format_count(row["cases"])), Piece(format_count(row["good"]))]
    counts = [row["by"].get(oracle, 0) for oracle in oracles] or [row["found"]]
    return cells + [Piece(format_count(n), "bad") if n else _NONE for n in counts]


def _findings(page: Page, findings: Sequence[Content]) -> None:
    """A row for each finding, and the last one as a note."""
    if not findings:
        return
    page.blank()
    if len(findings) > 1:
        rows = [(f"  {number}", _row(one)) for number, one in enumerate(findings, 1)]
        page.table("found", ["breaks", "by", "rows", "how often"], rows)
        page.blank()
    note(page, findings[-1], len(findings) if len(findings) > 1 else None)


def _row(finding: Content) -> list[Piece]:
    """What breaks, by what, how much of it, and how often."""
    words = (finding["oracle"], finding["attack"], str(len(finding["rows"])))
    return [*(Piece(word) for word in words), Piece(often(finding))]
