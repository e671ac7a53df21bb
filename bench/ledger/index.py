"""What lies under `logs/`: a line for each run, without reading all of its logs.

A run that did not come to its end has no verdict; whether it still goes on nobody can
see from its folder, so when it was last written is told.  A folder is a run's by its
name and by `run.json` in it; whatever else lies there is named and left alone.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal

from bench.base.errors import Fault, LedgerError
from bench.ledger.facts import PROFILE, RUN, VERDICT, file_digest
from bench.ledger.lines import parsed
from bench.ledger.read import read_run, unreadable, version_of
from bench.ledger.rigs import FOLDER as RIGS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    State = Literal["ended", "unfinished", "damaged", "newer"]

_NAME = re.compile(r"(\d{8}T\d{6}Z)-([a-z0-9][a-z0-9_.-]*?)(?:-(\d+))?", re.ASCII)
_WHEN = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class Listed:
    """One run.

    Attributes:
        folder: Where it lies.
        state: "ended" with a verdict, "unfinished" without one, "damaged", or written
            in a "newer" format, of which nothing else is known.
        fault: What is wrong with it; "" for nothing.
        when: UTC of its start, as its folder is called.
        what: What kind of run it is.
        run: Its facts, as far as they are known.
        verdict: What it came to; None for an unfinished one.
        octets: Size of everything in its folder.
        written_s: When something in it was last written, in POSIX seconds, or when it
            began, whichever is later.
    """

    folder: Path
    state: State
    fault: str
    when: str
    what: str
    run: Mapping[str, Any]
    verdict: Mapping[str, Any] | None
    octets: int
    written_s: float

    def as_dict(self) -> dict[str, Any]:
        """Everything that a list has of it, as strict JSON."""
        verdict, run = self.verdict or {}, self.run
        dut = run.get("dut")
        return {
            "run": str(self.folder),
            "state": self.state,
            "fault": self.fault,
            "when": self.when,
            "what": self.what,
            "verdict": verdict.get("verdict"),
            "reason": verdict.get("reason"),
            "profile": run.get("profile"),
            "link": run.get("link"),
            "seed": run.get("seed"),
            "dut": dut if isinstance(dut, dict) else None,
            "octets": self.octets,
            "written": datetime.fromtimestamp(self.written_s, UTC).strftime(_WHEN),
        }


def listed(logs: Path, *, every_line: bool = False) -> tuple[list[Listed], list[str]]:
    """Every run, the newest first, and the names of what is none.

    Args:
        logs: The folder of all runs.
        every_line: Whether all of each run is read, to see whether it is whole.

    Raises:
        LedgerError: If the folder cannot be read.
    """
    try:
        entries = sorted(logs.iterdir(), key=lambda entry: entry.name)
    except OSError as error:
        raise unreadable(logs, error) from error
    runs, others = [], []
    for entry in entries:
        found = _NAME.fullmatch(entry.name)
        if found and entry.is_dir() and not entry.is_symlink():
            runs.append((found[1], int(found[3] or 1), _listed(entry, every_line)))
        elif entry.name != RIGS and not entry.name.startswith("."):
            others.append(entry.name)
    runs.sort(key=lambda one: one[:2], reverse=True)
    return [run for _, _, run in runs], others


def _listed(folder: Path, every_line: bool) -> Listed:
    """One run."""
    name = _NAME.fullmatch(folder.name)
    assert name is not None
    when, what = name[1], name[2]
    octets, written_s = _size(folder)
    written_s = max(written_s, _began_s(when))
    run: Mapping[str, Any] = {}
    verdict, faults = None, []
    state: State = "damaged"
    try:
        if version_of(folder) is None:
            faults = [str(Fault(f"no {RUN}"))]
        else:
            run, verdict, faults = _heads(folder)
            if not faults:
                state = "ended" if verdict else "unfinished"
            if every_line:
                faults = [str(fault) for fault in read_run(folder).faults]
    except LedgerError as error:
        faults = [str(error)]
        state = "newer" if "newer" in error.fault.what else "damaged"
    except OSError as error:
        faults = [str(unreadable(folder, error))]
    if faults and state == "ended":
        state = "damaged"
    more = f" and {len(faults) - 1} more" if len(faults) > 1 else ""
    fault = faults[0] + more if faults else ""
    return Listed(folder, state, fault, when, what, run, verdict, octets, written_s)


def _heads(
    folder: Path,
) -> tuple[Mapping[str, Any], Mapping[str, Any] | None, list[str]]:
    """Facts and verdict of a run, and what is wrong with these alone."""
    run = parsed((folder / RUN).read_bytes()) or {}
    faults = []
    profile = folder / PROFILE
    if not profile.exists():
        faults.append("resolved profile missing")
    elif file_digest(profile.read_bytes()) != run.get("profile_sha256"):
        faults.append("resolved profile was changed")
    path = folder / VERDICT
    verdict = parsed(path.read_bytes()) if path.exists() else None
    if path.exists() and verdict is None:
        faults.append("verdict damaged")
    return run, verdict, faults


def _size(folder: Path) -> tuple[int, float]:
    """Octets of all files of a folder, and when one was last written."""
    octets, written_s = 0, 0.0
    for path in folder.rglob("*"):
        try:
            status = path.lstat()
        except OSError:  # it went away meanwhile
            continue
        octets += status.st_size if path.is_file() else 0
        written_s = max(written_s, status.st_mtime)
    return octets, written_s


def _began_s(when: str) -> float:
    """A start in POSIX seconds; 0 for what is no time."""
    try:
        return datetime.strptime(when, _WHEN).replace(tzinfo=UTC).timestamp()
    except ValueError:
        return 0.0
