"""The report of a run: one page to decide on, made from the run's folder alone.

The verdict comes first, with how sure it is and what nobody could see; then the night
as a ribbon, how long packets took, what went wrong and why, the budget beside what was
measured, and what it takes to do it again.  A chapter stands where its data are, so one
report serves every kind of run, a damaged one and an empty one too.

`night` makes the document; `bench.report.night.web` writes it as a page and
`bench.report.formats` as anything else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.night.blocks import Chapter, Night
from bench.report.night.course import course_of, events_of
from bench.report.night.reading import count, number, time, whole, words
from bench.report.night.told.anomalies import anomalies_chapter
from bench.report.night.told.course import course_chapter
from bench.report.night.told.lists import (
    accept_chapter,
    drive_chapter,
    fuzz_chapter,
    other_chapter,
)
from bench.report.night.told.made import (
    budget_chapter,
    ledger_chapter,
    tested_chapter,
)
from bench.report.night.told.opening import opening_of
from bench.report.night.told.packets import (
    latency_chapter,
    losses_chapter,
    packets_chapter,
)
from bench.report.night.told.searches import (
    edge_chapter,
    sweep_chapter,
    upsets_chapter,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.ledger import StoredRun
    from bench.profile import Profile

    Record = Mapping[str, Any]

__all__ = ["Night", "night"]

_KINDS = {
    "accept": "acceptance",
    "edge": "search for an edge",
    "drive": "drive by hand",
    "stream": "stream",
    "upset": "upsets",
}
"""What a kind of run is called, where its own name is no noun."""

_KNOWN = frozenset(
    {
        *("verdict", "reason", "exit_code", "failures", "void", "not_observable"),
        *("notes", "says", "seed", "signal", "run", "ledger", "trial_ns", "spent_ns"),
        *("spread_ns", "quantiles"),
    }
)
"""Keys of any verdict that are told elsewhere, or not worth telling."""


def night(
    stored: StoredRun, profile: Profile | None, digest: str, version: str
) -> Night:
    """The report of a run.

    Args:
        stored: The run, as `bench.ledger.read_run` reads it.
        profile: The kept profile; None where it cannot be read.
        digest: That of the ledger's files.
        version: That of the bench that makes the report.
    """
    verdict = stored.verdict or {}
    records = stored.intervals.records
    intervals = [row for row in records if "event" not in row]
    told = _of_trials(stored, verdict, profile)
    if not told and verdict:
        other = other_chapter(verdict, _KNOWN)
        told = [other] if other is not None else []
    course = course_chapter(course_of(records), events_of(records))
    anomalies = anomalies_chapter(stored.anomalies.records, profile, str(stored.folder))
    faultless = not any("profile" in fault.what for fault in stored.faults)
    chapters = [
        course,
        *told,
        anomalies,
        budget_chapter(profile, verdict, faultless),
        tested_chapter(stored),
        ledger_chapter(stored, digest),
    ]
    return Night(
        words(stored.run, "profile") or stored.folder.name,
        _subtitle(stored, intervals),
        opening_of(stored, intervals),
        [chapter for chapter in chapters if chapter is not None],
        f"Made by nightbench {version} from the ledger {stored.folder.name}.",
    )


def _of_trials(
    stored: StoredRun, verdict: Record, profile: Profile | None
) -> list[Chapter]:
    """The chapters about what was tried."""
    found = [
        accept_chapter(verdict),
        sweep_chapter(verdict, stored.intervals.records),
        edge_chapter(verdict),
        upsets_chapter(verdict),
        fuzz_chapter(verdict),
        drive_chapter(verdict),
        packets_chapter(verdict),
        losses_chapter(verdict),
        latency_chapter(verdict, profile),
    ]
    return [chapter for chapter in found if chapter is not None]


def _subtitle(stored: StoredRun, intervals: Sequence[Record]) -> str:
    """What kind of run it is, how long, and when."""
    run, verdict = stored.run, stored.verdict or {}
    kind = words(run, "what")
    parts = [_KINDS.get(kind, kind) or "run"]
    lasted = number(verdict, "trial_ns")
    if lasted is None and intervals:
        lasted = number(intervals[-1], "to_ns")
    if lasted:
        parts[0] += f" of {time(lasted, 3)}"
    if trials := whole(verdict, "trials") or whole(verdict, "size"):
        parts.append(f"{count(trials)} trials")
    if link := words(run, "link"):
        parts.append(f"on the link {link}")
    if when := _date(words(run, "when")):
        parts.append(f"begun {when}")
    return ", ".join(parts)


_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July", "August"),
    *("September", "October", "November", "December"),
)


_STAMP = 16
"""Signs of a date as a folder's name has it, 20261125T024440Z."""


def _date(stamp: str) -> str:
    """A date as a person reads it; as it stands where it is none."""
    digits = stamp[:8] + stamp[9:15]
    if len(stamp) != _STAMP or not (digits.isascii() and digits.isdigit()):
        return stamp
    month = int(stamp[4:6])
    if not 1 <= month <= len(_MONTHS):
        return stamp
    day = f"{int(stamp[6:8])} {_MONTHS[month - 1]} {stamp[:4]}"
    return f"{day}, {stamp[9:11]}:{stamp[11:13]} UTC"
