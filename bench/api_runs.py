"""What is under `logs/`, from Python: list it, put old runs away, compare two of them.

    import bench.api_runs

    for run in bench.api_runs.runs().runs:
        print(run.folder, run.state, run.fault)
    print(bench.api_runs.compare("logs/…-soak", "logs/…-soak-2").figures["reason"])

Nothing here writes into a run's folder.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LedgerError, UsageError
from bench.base.units import shown
from bench.judge.compare.changed import changes
from bench.judge.compare.sides import comparable, side_of
from bench.judge.compare.steps import compared_steps
from bench.judge.compare.worse import CONFIDENCE, TOLERANCE, compared
from bench.ledger.index import Listed, listed
from bench.ledger.prune import delete, kept_all_the_same, picked
from bench.ledger.read import read_run

if TYPE_CHECKING:
    from bench.ledger.read import StoredRun

__all__ = ["Compared", "Shelf", "compare", "prune", "runs"]


@dataclass(frozen=True, slots=True)
class Shelf:
    """What lies under `logs/`.

    Attributes:
        logs: The folder.
        runs: The newest first.
        others: Names of what is no run.
        deleted: Runs that were deleted, or would be.
        kept: Runs that were picked and are kept all the same, and why.
        done: Whether anything was really deleted.
    """

    logs: Path
    runs: list[Listed]
    others: list[str]
    deleted: tuple[Listed, ...] = ()
    kept: tuple[tuple[Listed, str], ...] = ()
    done: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON."""
        return {
            "logs": str(self.logs),
            "octets": sum(run.octets for run in self.runs),
            "runs": [run.as_dict() for run in self.runs],
            "others": self.others,
            "deleted": [str(run.folder) for run in self.deleted],
            "kept": [{"run": str(run.folder), "why": why} for run, why in self.kept],
            "done": self.done,
        }


@dataclass(frozen=True, slots=True)
class Compared:
    """Two runs compared.

    Attributes:
        outcome: "worse", "not worse" or "cannot say".
        exit_code: 0 for not worse, 1 for worse, 4 if that cannot be said.
        figures: Everything, as strict JSON.
    """

    outcome: str
    exit_code: int
    figures: dict[str, Any]

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON."""
        return self.figures


def runs(
    logs: str | Path = "logs",
    *,
    every_line: bool = False,
    older_ns: int | None = None,
    larger: int | None = None,
    now_s: float | None = None,
) -> Shelf:
    """What lies under a folder of runs.

    Args:
        logs: The folder.
        every_line: Whether all of each run is read, to see whether it is whole.
        older_ns: Only runs that were last written longer ago than this.
        larger: Only runs of more octets than this.
        now_s: POSIX seconds; the system's time unless given.

    Raises:
        LedgerError: If the folder cannot be read.
    """
    folder = Path(logs)
    found, others = listed(folder, every_line=every_line)
    older_s = None if older_ns is None else older_ns / 1e9
    now_s = _now_s() if now_s is None else now_s
    kept = picked(found, now_s=now_s, older_s=older_s, larger=larger)
    return Shelf(folder, kept, others)


def prune(
    logs: str | Path = "logs",
    *,
    older_ns: int | None = None,
    larger: int | None = None,
    really: bool = False,
    now_s: float | None = None,
) -> Shelf:
    """Delete runs that are older and larger than asked for.

    Args:
        logs: The folder.
        older_ns: As for `runs`.
        larger: Likewise.
        really: Whether they are deleted, and not only named.
        now_s: Likewise.

    Raises:
        UsageError: If nothing says which.
        LedgerError: If the folder cannot be read, or a run cannot be deleted.
    """
    if older_ns is None and larger is None:
        fault = Fault(
            "nothing says which", expected="an age or a size", where="--prune"
        )
        raise UsageError(fault)
    now_s = _now_s() if now_s is None else now_s
    shelf = runs(logs, older_ns=older_ns, larger=larger, now_s=now_s)
    reasons = [(run, kept_all_the_same(run, now_s)) for run in shelf.runs]
    going = [run for run, why in reasons if not why]
    kept = tuple((run, why) for run, why in reasons if why)
    if really:
        delete(shelf.logs, going)
    return Shelf(shelf.logs, shelf.runs, shelf.others, tuple(going), kept, really)


def compare(
    before: str | Path,
    after: str | Path,
    *,
    confidence: float = CONFIDENCE,
    tolerance: float = TOLERANCE,
) -> Compared:
    """Whether the second of two runs is worse than the first.

    Args:
        before: The folder of the first run's ledger.
        after: Of the second.
        confidence: Of intervals, and against false alarms.
        tolerance: Share by which a latency may be longer.

    Raises:
        LedgerError: If one of them cannot be read.
        UsageError: If they are of kinds that cannot be compared.
    """
    if not 0 < confidence < 1:
        expected = "more than 0 and less than 1"
        raise UsageError(
            Fault("out of range", shown(confidence), expected, "confidence")
        )
    one, two = (read_run(Path(folder)) for folder in (before, after))
    figures = _figures(one, two, confidence, tolerance)
    figures |= {
        "before": _told(one),
        "after": _told(two),
        "changed": changes(one.run, two.run, (one.profile_text, two.profile_text)),
    }
    notes = [f"damaged: {fault}" for run in (one, two) for fault in run.faults]
    figures["notes"] += notes
    return Compared(figures["outcome"], figures["exit_code"], figures)


def _now_s() -> float:
    return datetime.now(UTC).timestamp()


def _figures(
    before: StoredRun, after: StoredRun, confidence: float, tolerance: float
) -> dict[str, Any]:
    """The comparison by what the runs are."""
    verdicts = []
    for run in (before, after):
        if run.verdict is None:
            fault = Fault(
                "no verdict to compare",
                expected="a run that came to its end",
                where=str(run.folder),
            )
            raise LedgerError(fault)
        verdicts.append(run.verdict)
    if all("accept" in verdict for verdict in verdicts):
        return compared_steps(*verdicts)
    for run, verdict in zip((before, after), verdicts, strict=True):
        if not comparable(verdict):
            kind = str(run.run.get("what"))
            expected = "two runs that count packets, or two of accept"
            fault = Fault("nothing to compare", kind, expected, str(run.folder))
            raise UsageError(fault)
    sides = [
        side_of(verdict, run.intervals.records)
        for run, verdict in zip((before, after), verdicts, strict=True)
    ]
    return compared(sides[0], sides[1], confidence, tolerance)


def _told(run: StoredRun) -> dict[str, Any]:
    """A run in a few words."""
    verdict, facts = run.verdict or {}, run.run
    dut = facts.get("dut")
    return {
        "run": str(run.folder),
        "what": facts.get("what"),
        "when": facts.get("when"),
        "profile": facts.get("profile"),
        "seed": facts.get("seed"),
        "verdict": verdict.get("verdict"),
        "reason": verdict.get("reason"),
        "dut": dut if isinstance(dut, dict) else {},
    }
