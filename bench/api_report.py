"""The report of a run, from Python: made from the run's folder alone.

    import bench

    run = "logs/20261125T024440Z-soak"
    path = bench.write_report(run)           # report.html in there
    path = bench.write_report(run, "junit")  # report.xml

A ledger is read as far as it is whole; one of a newer format is refused, and nothing is
touched.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

from bench import __version__
from bench.base.errors import BenchError, Fault, UsageError
from bench.base.units import shown
from bench.ledger import Ledger, LedgerOptions, read_run
from bench.ledger.digest import ledger_digest
from bench.profile import parse_profile
from bench.wire.checks import Check

if TYPE_CHECKING:
    from bench.budget import Budget
    from bench.ledger import StoredRun
    from bench.profile import Profile

__all__ = ["FORMS", "Form", "made", "write_report"]

Form = Literal["page", "md", "junit", "json", "csv", "parquet"]

FORMS: dict[str, str] = {
    "page": "report.html",
    "md": "report.md",
    "junit": "report.xml",
    "json": "report.json",
    "csv": "report.csv",
    "parquet": "report.parquet",
}
"""The forms, and what each is called in the run's folder."""


def write_report(run: str | Path, form: Form = "page") -> Path:
    """Write the report of a run into its folder; where it is.

    Args:
        run: The run's folder.
        form: One of `FORMS`.

    Raises:
        LedgerError: If it is no run, is of a newer format, cannot be read, or the
            report cannot be written.
        UsageError: If there is no such form, or what it takes is not installed.
    """
    folder = Path(run)
    octets = made(folder, form)
    # The ledger is the only writer of its folder; its logs are not opened for this.
    Ledger(folder, LedgerOptions()).attach(FORMS[form], octets)
    return folder / FORMS[form]


def made(run: str | Path, form: Form = "page") -> bytes:
    """The report of a run, in one of the `FORMS`; see `write_report`."""
    if form not in FORMS:
        raise UsageError(Fault("no such form", shown(form), " or ".join(FORMS)))
    stored = read_run(Path(run))
    if form == "junit":
        from bench.report.formats.junit import junit

        return junit(stored).encode()
    if form in ("csv", "parquet"):
        return _table(stored, form)
    profile, digest = _profile(stored), ledger_digest(stored)
    if form == "json":
        from bench.report.formats.plain import plain

        return plain(stored, digest, _budget(profile), __version__).encode()
    from bench.report.night import night

    told = night(stored, profile, digest, __version__)
    if form == "md":
        from bench.report.formats.markdown import markdown

        return markdown(told).encode()
    from bench.report.night.web import page

    return page(told).encode()


def _table(stored: StoredRun, form: str) -> bytes:
    from bench.report.formats.tables import table_of
    from bench.report.points import as_csv, as_parquet

    columns = table_of(stored)
    return as_csv(columns) if form == "csv" else as_parquet(columns)


def _profile(stored: StoredRun) -> Profile | None:
    """The kept profile, if it is there and has no faults."""
    if stored.profile_text is None:
        return None
    try:
        return parse_profile(
            stored.profile_text, (), "profile.toml", lambda name: Check.named(name).size
        )
    except BenchError:
        return None


def _budget(profile: Profile | None) -> Budget | None:
    if profile is None:
        return None
    from bench.budget import budget

    try:
        return budget(profile)
    except BenchError:
        return None
