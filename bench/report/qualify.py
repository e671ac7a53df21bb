"""The page of a qualified rig: what it can and cannot resolve, then the figures."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns, format_rate
from bench.report.page import WIDTH, Page, Piece

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LABELS = 18

_UNSEEN = Piece("–", "faint")

_QUANTILES = ("p50", "p99", "max")


def qualify_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of one qualification.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    _verdict(page, verdict, run)
    label = "this rig"
    page.blank()
    for sentence in verdict["says"]:
        page.field(label, sentence)
        label = ""
    _times(page, verdict)
    _counts(page, verdict)
    for note in verdict["told"]["notes"]:
        page.field("note", note)
    page.blank()
    _kept(page, verdict, run)
    rig = run["rig"]
    page.field("bench", f"{rig['host']}, {rig['system']}, Python {rig['python']}")
    return page


def capture_page(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of a capture of the bus.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    word, shown = verdict["verdict"], verdict["shown"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    page.whole("capture", f"{run['capture']}, signal {verdict['signal_path']}")
    if run["of_run"] is not None:
        page.whole("of run", run["of_run"])
    page.blank()
    label = "this rig" if run["link"] is None else run["link"]
    for sentence in verdict["says"]:
        page.field(label, sentence)
        label = ""
    rows = [("  start to start", [_time(ns) for ns in _of(shown["pitch_ns"])])]
    pacing = verdict["pacing"] or {}
    if placed := pacing.get("runs_placed_ns"):
        # The spread of where runs began, against the plan's.
        rows.append(("  runs off by", [_time(ns) for ns in _of(placed)]))
    page.blank()
    page.table("times", _QUANTILES, rows)
    if verdict["went_back"]:
        times = format_count(verdict["went_back"])
        page.field("note", f"time goes back {times} times in the file; it was not let")
    page.blank()
    _kept(page, verdict, run)
    return page


def _of(quantiles: Content | None) -> list[Any]:
    """Those of a row."""
    return [None if quantiles is None else quantiles[word] for word in _QUANTILES]


def qualify_brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = Page(_LABELS, width)
    page.field(verdict["verdict"], verdict["reason"], mark=_ROLES[verdict["verdict"]])
    _kept(page, verdict, run)
    return page


def _verdict(page: Page, verdict: Content, run: Content) -> None:
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    if verdict["signal"]:
        page.field("stopped", f"by {verdict['signal']}; the rest was not measured")
    ear = "" if run["ear"] is None else f", heard by {run['ear']}"
    page.field("link", f"{run['link']}{ear}")


def _times(page: Page, verdict: Content) -> None:
    """Round trips, lateness of write calls, distance of reads."""
    trips, calls, flow = (
        verdict[word] or {} for word in ("round_trips", "write_calls", "flow")
    )
    bare = calls.get("bare") or {}
    rows = {
        "round trip": trips.get("ns"),
        "write call late": calls.get("late_ns"),
        "bare sleep late": bare.get("late_ns"),
        "read to read": flow.get("read_pitch_ns"),
    }
    kept = {name: times for name, times in rows.items() if times}
    if kept:
        page.blank()
        page.table(
            "times",
            _QUANTILES,
            [
                (f"  {name}", [_time(times.get(word)) for word in _QUANTILES])
                for name, times in kept.items()
            ],
        )


def _time(ns: int | None) -> Piece:
    return _UNSEEN if ns is None else Piece(format_ns(ns, 3))


def _counts(page: Page, verdict: Content) -> None:
    """How much went, how much came, how fast."""
    flow = verdict["flow"]
    if flow is None:
        return
    page.blank()
    text = f"{format_count(flow['accepted'])} octets accepted"
    if flow["heard"] is not None:
        text += f", {format_count(flow['heard'])} came back"
        if flow["octets_per_s"]:
            text += f" at {format_rate(flow['octets_per_s'], 'octets/s')}"
    page.field("flow", text)
    if flow["heard"] is None:
        return
    page.field("", f"up to {format_count(flow['ahead'])} octets were under way")
    sizes = flow["read_octets"]
    text = f"{sizes['p50']} octets, 1 in 100 of {sizes['p99']}, most {sizes['max']}"
    page.field("portions", text)
    trips = verdict["round_trips"]
    if trips and (beat := trips["beat"]):
        counts = ", ".join(f"{n} at {k} ×" for k, n in beat["multiples"].items())
        text = f"{format_ns(beat['ns'], 4)}, the {beat['of']}'s: {counts}"
        page.field("beat", f"{text}, {beat['off']} elsewhere")


def _kept(page: Page, verdict: Content, run: Content) -> None:
    page.whole("ledger", verdict["run"])
    if broken := verdict["ledger"]:
        page.field("", broken["failed"], "bad")
    if verdict["rig"]:
        page.whole("rig", verdict["rig"])
    if command := run.get("command"):
        page.whole("again", shlex.join(command))
