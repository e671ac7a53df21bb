"""The page of a bus that was listened to, and its live view.

The verdict first, then who is talked to: a row for each address, with how often, how
evenly, how soundly, and how much of the line it takes.  What packets look like is a
table of fields and of the ranges of their payloads that change, never the octets as
they went by.  On a terminal the table is drawn over; elsewhere a plain line comes now
and then.
"""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns, format_share
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.terminal import PLAIN_NS, Drawing
from bench.trial.listen.words import many

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.report.page import Role
    from bench.report.terminal import Out

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LEAST_LABELS, _MOST_LABELS = 16, 26

_LISTED = 16
"""Addresses that have a row; of more the others are one line."""

_LOOKED_AT = 6
"""Addresses whose payloads are described on a page."""

_UNSEEN = Piece("–", "faint")

_ASIDE = ("unknown", "none")
"""Kinds of address that nobody should be talked to by."""


def listen_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of one listening.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    page = _page(verdict, width)
    _verdict(page, verdict, run)
    _addresses(page, verdict)
    _unsound(page, verdict)
    _looks(page, verdict)
    _fits(page, verdict)
    _resolves(page, verdict)
    _whereabouts(page, verdict, run)
    return page


def listen_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = _page(verdict, width)
    page.field(verdict["verdict"], verdict["reason"], mark=_ROLES[verdict["verdict"]])
    _kept(page, verdict, run)
    return page


def _page(figures: Content, width: int) -> Page:
    longest = max((len(one["name"]) for one in figures["addresses"]), default=0) + 4
    return Page(max(_LEAST_LABELS, min(longest, _MOST_LABELS)), width)


# --- what it says ---------------------------------------------------------------------


def _verdict(page: Page, verdict: Content, run: Content) -> None:
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    others = [*verdict["failures"], *verdict["void"]]
    label = "also"
    for text in others:
        if text != verdict["reason"]:
            page.field(label, text)
            label = ""
    if verdict["link_lost"]:
        page.field("link lost", f"{verdict['link_lost']}; this is what came before")
    if verdict["signal"]:
        page.field("stopped", f"by {verdict['signal']}")
    page.blank()
    page.field("bus", ", ".join([run["profile"], *_line(verdict), f"on {run['link']}"]))


def _line(figures: Content) -> list[str]:
    """How long, how much, how full."""
    quiet_ns = figures["quiet_ns"]
    quiet = [glued(f"quiet for {format_ns(quiet_ns, 2)}")] if quiet_ns > 10**9 else []
    return [
        glued(f"{format_ns(figures['elapsed_ns'], 3)} listened"),
        *quiet,
        glued(f"{format_count(figures['characters'])} characters"),
        glued(f"{_rate(figures['characters_per_s'])} octets/s"),
        glued(f"{_rate(figures['packets_per_s'])} packets/s"),
        glued(f"line load {format_share(figures['load'], 3)}"),
    ]


def _rate(per_s: float) -> str:
    """A rate in few digits."""
    return format_count(round(per_s)) if per_s >= 100 else f"{per_s:.3g}"


# --- who is talked to -----------------------------------------------------------------


def _addresses(page: Page, figures: Content, *, live: bool = False) -> None:
    """A row for each address; while it goes on, rates are those of the last second."""
    heard = figures["addresses"]
    if not heard:
        return
    sequenced = any(one["missing"] is not None for one in heard)
    heads = ["packets", "/s", "load", "bad"]
    heads += ["missing"] if sequenced else []
    heads += ["every", "spread"]
    rows = [
        (f"  {one['name']}", _cells(one, sequenced, live)) for one in heard[:_LISTED]
    ]
    page.blank()
    page.table("addresses", heads, rows)
    if (more := len(heard) - _LISTED) > 0:
        page.field("", f"and {more} more, in verdict.json")
    if any(one["period_ns"] for one in heard):
        page.field("", "every: median of the period; spread: 98 % of periods lie in it")


def _cells(one: Content, sequenced: bool, live: bool) -> list[Piece]:
    rejected = sum(one["rejected"].values())
    aside = one["kind"] in _ASIDE and one["packets"]
    cells = [
        Piece(format_count(one["packets"]), "bad" if aside else ""),
        Piece(_rate(one["last_second" if live else "per_s"])),
        Piece(format_share(one["load"], 3)),
        Piece(format_count(rejected), "bad" if rejected else ""),
    ]
    if sequenced:
        missing = one["missing"]
        cells.append(
            _UNSEEN
            if missing is None
            else Piece(format_count(missing), "bad" if missing else "")
        )
    period = one["period_ns"]
    if period is None:
        return [*cells, _UNSEEN, _UNSEEN]
    spread = period["p99"] - period["p1"]
    return [
        *cells,
        Piece(format_ns(period["p50"], 3)),
        Piece(format_ns(max(0, spread), 2)),
    ]


def _unsound(page: Page, figures: Content) -> None:
    """What was no packet."""
    parts = [f"{format_count(n)} {word}" for word, n in figures["rejected"].items()]
    if parts:
        text = f"{', '.join(parts)}, in {many(figures['spoilt'], 'place')}"
        page.field("rejected", text, "bad")
    garbage = figures["garbage"]
    if garbage["octets"]:
        text = (
            f"{many(garbage['octets'], 'octet')} in no packet, in "
            f"{many(garbage['places'], 'place')}; the latest began "
            f"{_spaced(garbage['latest'])}"
        )
        page.field("garbage", text, "bad")
    if figures["edges"]["octets"]:
        count = many(figures["edges"]["octets"], "octet")
        page.field("edges", f"{count} of packets that begin and end cut in two")
    if figures["flaws"] is None:
        page.field("line errors", "not observable on this link", "open")
    elif any(figures["flaws"].values()):
        flaws = [f"{n} {word}" for word, n in figures["flaws"].items() if n]
        page.field("line errors", ", ".join(flaws), "bad")


def _spaced(digits: str) -> str:
    """Octets as they are written elsewhere, in one piece."""
    return glued(" ".join(digits[k : k + 2] for k in range(0, len(digits), 2)) or "–")


# --- what packets look like -----------------------------------------------------------


def _looks(page: Page, figures: Content) -> None:
    """Sizes, and which octets of the payloads change."""
    heard = [one for one in figures["addresses"] if one["looks"]]
    if not heard:
        return
    page.blank()
    heads = [field["field"] for field in heard[0]["fields"]]
    rows = [
        (f"  {one['name']}", [_value(field) for field in one["fields"]])
        for one in heard[:_LOOKED_AT]
        if len(one["fields"]) == len(heads)
    ]
    page.table("last packet", heads, rows)
    page.row("payloads", [Piece("octets; what changes in them", "faint")])
    for one in heard[:_LOOKED_AT]:
        looks = one["looks"]
        sizes = ", ".join(
            f"{size}" if len(looks["sizes"]) == 1 else f"{size} ({n} ×)"
            for size, n in looks["sizes"][:4]
        )
        page.field(f"  {one['name']}", f"{sizes}; {_changes(looks)}")
    if (more := len(heard) - _LOOKED_AT) > 0:
        page.field("", f"and {more} more, in verdict.json")


def _value(field: Content) -> Piece:
    """The octets of a field, or how it begins."""
    begins = field["begins"]
    if 2 * field["octets"] > len(begins):
        return Piece(f"{begins[:4]}…")
    return Piece(begins)


def _changes(looks: Content) -> str:
    """Which ranges of a payload change."""
    octets, changing = looks["octets"], looks["changing"]
    if not octets:
        return "empty"
    if looks["compared"] < 2:
        return "no two of one size"
    if changing == octets:
        return "every octet changes"
    if not changing and len(looks["parts"]) == 1:
        value = looks["parts"][0]["value"]
        return "never changes" if value is None else f"all {value:02X}h, never changes"
    if len(looks["parts"]) + looks["other_parts"] > 6:
        return f"{format_count(changing)} of {format_count(octets)} octets change"
    return ", ".join(_part(part) for part in looks["parts"])


def _part(part: Content) -> str:
    """One range."""
    first, last = part["from"], part["to"]
    where = glued(f"{first}" if first == last else f"{first} to {last}")
    if part["changes"]:
        return f"{where}: changes"
    if part["value"] is None:
        return f"{where}: stays"
    return f"{where}: {part['value']:02X}h"


# --- fits, resolves -------------------------------------------------------------------


def _fits(page: Page, verdict: Content) -> None:
    """Whether this traffic fits the budget."""
    fits = verdict["budget"]
    page.blank()
    if fits["fits"] is None:
        page.field("budget", f"not known: {fits['why']}", "open")
    elif fits["fits"]:
        text = f"this traffic fits; the least margin has {fits['tightest']}"
        page.field("budget", text, "good")
    else:
        why = fits["why"] or f"{fits['tightest']} gives first"
        page.field("budget", f"this traffic does not fit: {why}", "bad")
    if fits["overrides"]:
        measured = ", ".join(glued(text) for text in fits["overrides"][:2])
        page.field("", f"measured: {measured}")


def _resolves(page: Page, verdict: Content) -> None:
    """What the rig is known for, and what the host's reads can tell of times."""
    if rig := verdict.get("rig"):
        page.field("rig", rig)
    reads = verdict["reads"]
    if not reads["n"]:
        return
    sizes, held = reads["octets"], reads["held_ns"]
    text = (
        f"{format_count(reads['n'])} reads of {sizes['p50']} octets, 1 % of more than "
        f"{sizes['p99']}: the first octet of such a read came "
        f"{format_ns(held['p99'], 2)} or more before the host had it"
    )
    page.field("reads", text)
    if reads["gaps_ns"]["n"]:
        longest = format_ns(reads["gaps_ns"]["max"], 3)
        text = f"longest {longest}; gaps are between reads, a hint at gaps on the line"
        page.field("gaps", text)
    if reads["behind_ns"] > 1_000_000:
        text = (
            f"octets came up to {format_ns(reads['behind_ns'], 2)} before the line can "
            "have carried them: nothing on this link keeps the baud"
        )
        page.field("", text)
    for note in [*verdict["notes"], *verdict["port_notes"]]:
        page.field("note", note)


# --- where it is ----------------------------------------------------------------------


def _whereabouts(page: Page, verdict: Content, run: Content) -> None:
    page.blank()
    _kept(page, verdict, run)
    rig = run["rig"]
    page.field("bench", f"{rig['host']}, {rig['system']}, Python {rig['python']}")


def _kept(page: Page, verdict: Content, run: Content) -> None:
    page.whole("ledger", verdict["run"])
    if broken := verdict["ledger"]:
        text = f"{broken['failed']}; {broken['unwritten']} records not written"
        page.field("", text, "bad")
    if tape := verdict["recording"]:
        page.whole("recording", tape["file"])
        if tape["failed"]:
            page.field("", tape["failed"], "bad")
    if command := run.get("command"):
        page.whole("again", shlex.join(command))


# --- live -----------------------------------------------------------------------------


class Told:
    """Plain lines, now and then."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._due_ns = PLAIN_NS

    def heard(self, figures: dict[str, Any]) -> None:
        """See `bench.trial.listen.run.Onlooker`."""
        if figures["elapsed_ns"] < self._due_ns:
            return
        self._due_ns = figures["elapsed_ns"] + PLAIN_NS
        parts = [*_line(figures), f"{format_count(figures['spoilt'])} spoilt"]
        if figures["missing"] is not None:
            parts.append(f"{format_count(figures['missing'])} missing")
        self._out.write(", ".join(parts).replace("\N{NO-BREAK SPACE}", " ") + "\n")
        self._out.flush()

    def close(self) -> None:
        """There is nothing to put away."""


class Drawn:
    """The table of addresses, drawn over as the bus goes on."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._drawing = Drawing(out)

    def heard(self, figures: dict[str, Any]) -> None:
        """See `bench.trial.listen.run.Onlooker`."""
        page = _page(figures, self._out.width)
        page.field("listening", ", ".join(_line(figures)))
        _addresses(page, figures, live=True)
        _unsound(page, figures)
        self._drawing.draw(page.lines)

    def close(self) -> None:
        """Take the table away."""
        self._drawing.close()


def onlooker(out: Out) -> Told | Drawn:
    """Who shows what is heard, on a terminal or anywhere else."""
    return Drawn(out) if out.is_terminal else Told(out)
