"""What stands behind a run: budget, rig, device, profile, ledger, how to rerun."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from bench.base.errors import BenchError
from bench.budget import budget
from bench.report.night.blocks import (
    Block,
    Cell,
    Chapter,
    Facts,
    Fold,
    Grid,
    Listing,
    Words,
)
from bench.report.night.reading import (
    at,
    count,
    number,
    part,
    quantity,
    time,
    whole,
    words,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bench.budget import BudgetLine
    from bench.ledger import LogRead, StoredRun
    from bench.profile import Profile
    from bench.report.page import Role

    Record = Mapping[str, Any]

_MEASURED: dict[str, Callable[[Record], float | None]] = {
    "first bit out": lambda v: number(v, "latency_ns", "first_bit", "max"),
    "shown": lambda v: number(v, "latency_ns", "shown", "max"),
    "skew": lambda v: number(v, "skew_ns", "max"),
    "latch gap": lambda v: number(v, "bursts", "least_gap_ns"),
    "packet loss": lambda v: number(v, "loss_rate"),
}
"""Lines of the budget that a run measures, by their label."""

_AT_MEASURED = 2
"""Column of what was measured."""

_FAULTS = 40
_PROFILE_LINES = 600


# --- budget ---------------------------------------------------------------------------


def budget_chapter(
    profile: Profile | None, verdict: Record, digest_holds: bool
) -> Chapter | None:
    """The budget of the kept profile beside what was measured; None without one."""
    if profile is None or not digest_holds:
        return None
    try:
        worked = budget(profile)
    except BenchError:
        return None
    lines = [line for line in worked.lines if _is_told(line)]
    heads = ["what", "by the budget", "measured", "limit", "left"]
    rows = [_row(line, verdict) for line in lines if line.label in _MEASURED]
    others = [
        [cell for k, cell in enumerate(_row(line, verdict)) if k != _AT_MEASURED]
        for line in lines
        if line.label not in _MEASURED
    ]
    first = worked.first
    text = (
        "The bounds are worked out from the profile alone; what was measured must not "
        "pass them."
    )
    if first is not None:
        text += f" Closest to its limit: {first.name}."
    blocks: list[Block] = [Words(text)]
    if rows:
        blocks.append(Grid("Bounds, and what was measured", heads, rows))
    if others:
        del heads[_AT_MEASURED]
        grid = Grid("Bounds of what a run does not measure", heads, others)
        blocks.append(Fold("The other limits", [grid], printed=True))
    return Chapter("budget", "Budget and measurement", blocks)


def _is_told(line: BudgetLine) -> bool:
    """Whether a line decides something, or was measured."""
    if line.value is None:
        return line.holds is False
    return (line.limit is not None and not line.caution) or line.label in _MEASURED


def _row(line: BudgetLine, verdict: Record) -> list[Cell | str]:
    rule = _MEASURED.get(line.label)
    found = rule(verdict) if rule is not None else None
    measured = Cell("–", "faint")
    if found is not None:
        role: Role = "" if _within(line, found) else "bad"
        measured = Cell(quantity(found, line.unit), role)
    elif rule is not None and part(verdict, "packets"):
        measured = Cell("not observable", "open")
    limit = ""
    if line.limit is not None:
        sense = "at most" if line.sense == "most" else "at least"
        limit = f"{sense} {quantity(line.limit, line.unit)}"
    value = quantity(line.value, line.unit) if line.value is not None else "no bound"
    role = "bad" if line.holds is False else ""
    return [
        Cell(line.name, role),
        Cell(value, role),
        measured,
        limit or Cell("–", "faint"),
        _left(line, role),
    ]


def _within(line: BudgetLine, found: float) -> bool:
    """Whether what was measured keeps to the bound."""
    if line.value is None or line.label == "packet loss":
        return True
    bound = float(line.value)
    return found <= bound if line.sense == "most" else found >= bound


def _left(line: BudgetLine, role: Role) -> Cell:
    if role == "bad":
        return Cell("past its limit", "bad")
    if line.room is None:
        return Cell("–", "faint")
    return Cell(f"{100 * line.room:.3g} %")


# --- what was tested ------------------------------------------------------------------


def tested_chapter(stored: StoredRun) -> Chapter:
    """Who tested what, with what, and how to do it again."""
    run, verdict = stored.run, stored.verdict or {}
    facts = [
        ("profile", words(run, "profile") or "not stated"),
        ("changed from it", _point(run)),
        ("profile digest", words(run, "profile_digest") or "not stated"),
        ("seed", _seed(run, verdict)),
        ("link", words(run, "link") or "not stated"),
    ]
    facts += [(f"device: {word}", _dut(run, word)) for word in _DUT]
    facts += [("bench", _rig(part(run, "rig"))), *_pace(verdict)]
    blocks: list[Block] = [Facts(facts)]
    if again := command_of(stored):
        blocks.append(Listing("To run it again", [again]))
    text = stored.profile_text
    if text is not None:
        lines = text.splitlines()
        left = len(lines) - _PROFILE_LINES
        lines = lines[:_PROFILE_LINES] + ([f"… {left} more lines"] if left > 0 else [])
        listing = Listing("profile.toml, all of it resolved", lines)
        blocks.append(Fold("The profile", [listing]))
    return Chapter("tested", "What was tested", blocks)


_DUT = ("serial", "revision", "firmware", "operator")


def _point(run: Record) -> str:
    point = part(run, "point")
    texts = [
        f"{path} = {words(point, path) or at(point, path)}" for path in sorted(point)
    ]
    return ", ".join(texts) or "nothing"


def _dut(run: Record, word: str) -> str:
    return words(run, "dut", word) or "not stated"


def _seed(run: Record, verdict: Record) -> str:
    seed = at(run, "seed")
    seed = at(verdict, "seed") if seed is None else seed
    return str(seed) if isinstance(seed, int) else "none"


def _rig(rig: Record) -> str:
    parts = [words(rig, "host"), words(rig, "system")]
    if python := words(rig, "python"):
        parts.append(f"Python {python}")
    versions = part(rig, "versions")
    parts += [f"{name} {words(versions, name)}" for name in sorted(versions)]
    return ", ".join(text for text in parts if text) or "not stated"


def _pace(verdict: Record) -> list[tuple[str, str]]:
    trial, spent = number(verdict, "trial_ns"), number(verdict, "spent_ns")
    if not trial or not spent:
        return []
    text = f"{time(trial, 3)} on the line took {time(spent, 3)}"
    return [("pace", f"{text}, {trial / spent:.3g} × real time")]


def command_of(stored: StoredRun) -> str:
    """The command that repeats a run; "" where nothing says how."""
    run = stored.run
    command = at(run, "command")
    if isinstance(command, list) and all(isinstance(word, str) for word in command):
        return shlex.join(command)
    seed, what = at(run, "seed"), words(run, "what")
    if what != "stream" or not isinstance(seed, int):
        return ""
    found = ["nightbench", "stream", str(stored.folder / "profile.toml")]
    packets, length = whole(run, "packets"), whole(run, "duration_ns")
    if packets is not None:
        found += ["--packets", str(packets)]
    if length is not None:
        found += ["--for", f"{length}ns"]
    return shlex.join([*found, "--seed", str(seed)])


# --- the ledger -----------------------------------------------------------------------


def ledger_chapter(stored: StoredRun, digest: str) -> Chapter:
    """What the report was made from, and what of it is whole."""
    faults = [str(fault) for fault in stored.faults]
    facts = [
        ("folder", str(stored.folder)),
        ("digest of the ledger", digest),
        ("interval log", _log(stored.intervals)),
        ("anomaly log", _log(stored.anomalies)),
        ("verdict", "written" if stored.verdict is not None else "missing"),
        ("whole", "yes" if not faults else f"no: {count(len(faults))} faults"),
    ]
    blocks: list[Block] = [Facts(facts)]
    if faults:
        left = len(faults) - _FAULTS
        lines = faults[:_FAULTS] + ([f"and {left} more"] if left > 0 else [])
        text = "What is whole is told in this report; what is not is counted here."
        blocks += [Words(text), Listing("What is wrong with the ledger", lines)]
    return Chapter("ledger", "The ledger", blocks)


def _log(log: LogRead) -> str:
    """How much of a log there is."""
    octets = sum(size for _, size in log.segments)
    text = f"{count(len(log.records))} records, {count(octets)} octets"
    if len(log.segments) > 1:
        text += f" in {len(log.segments)} segments"
    if log.damaged:
        text += f"; {count(len(log.damaged))} lines damaged"
    if log.torn:
        text += "; the last line is torn"
    if log.missing:
        text += f"; {count(len(log.missing))} segments missing"
    return text
