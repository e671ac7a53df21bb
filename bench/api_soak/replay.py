"""An anomaly of a stored run, played once more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult, load_profile, stream
from bench.base.errors import ExitCode, Fault, LedgerError, UsageError
from bench.ledger import read_run
from bench.trial.plan import Plan
from bench.trial.soak.again import Again, span_of
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.ledger import StoredRun
    from bench.link.link import Link
    from bench.profile import Profile

_KINDS = ("stream", "soak")
"""Runs whose line follows from their profile and seed alone."""

_NOT_MADE_AGAIN = ("recording", "recorded", "line")


def replay_anomaly(
    run: str | Path,
    number: int,
    *,
    link: Link | None = None,
    logs: str | Path | None = None,
    **more: Any,
) -> StreamResult:
    """Play what led up to an anomaly, the same characters with their timing.

    Args:
        run: The folder of a stream or a soak.
        number: Of the anomaly in its log; the first is 1.
        link: The way to the nodes, see `bench.api.stream`; to simulated ones unless
            given.
        logs: The folder of all runs; that of the run unless given.
        more: `allowed`, `dut`, `watcher`, `stop` and what else `stream` takes that says
            nothing of what is sent.

    Returns:
        As of a stream, which is in its own ledger; `figures["replay"]` has whether the
        anomaly came again.  If it did not, that does not make it good: the verdict
        fails all the same, and says "not reproduced".

    Raises:
        UsageError: If there is no such anomaly, or the characters cannot be made again.
        LedgerError: If the run cannot be read.
    """
    stored = read_run(Path(run))
    anomaly = _anomaly(stored, number)
    plan, base_ns = _plan(stored, anomaly)
    span = span_of(plan, anomaly.get("packet"), int(anomaly["ns"]) - base_ns)
    _compare(anomaly, span.before, stored)
    facts = {
        "replay": {"run": str(stored.folder), "anomaly": number},
        "command": [
            "nightbench",
            "replay",
            str(stored.folder),
            "--anomaly",
            str(number),
        ],
    }
    length_ns = max(1, plan.profile.bus.pitch.at(span.end - span.first))
    result = stream(
        plan.profile,
        duration=length_ns,
        seed=plan.seed,
        logs=logs or stored.folder.parent,
        link=link,
        source=Again(plan, span),
        facts=facts | dict(more.pop("facts", {})),
        **more,
    )
    return _told(result, stored, anomaly, number)


def _anomaly(stored: StoredRun, number: int) -> dict[str, Any]:
    """One anomaly of a run."""
    records = stored.anomalies.records
    if not 1 <= number <= len(records):
        expected = f"1 to {len(records)}" if records else "a run with anomalies"
        fault = Fault("no such anomaly", str(number), expected, str(stored.folder))
        raise UsageError(fault)
    anomaly: dict[str, Any] = records[number - 1]
    if "ns" not in anomaly:
        fault = Fault("nothing to play", str(anomaly.get("note", "")))
        raise UsageError(fault)
    return anomaly


def _plan(stored: StoredRun, anomaly: Mapping[str, Any]) -> tuple[Plan, int]:
    """The trial in which it was, and when that began in the run."""
    run = stored.run
    what, folder = run.get("what"), stored.folder
    undone = [word for word in _NOT_MADE_AGAIN if run.get(word) is not None]
    if what not in _KINDS or undone or "--odd" in (run.get("command") or ()):
        expected = "a stream or a soak of packets that a schedule made"
        fault = Fault("cannot be played again", str(what), expected, str(folder))
        raise UsageError(fault)
    if stored.profile_text is None:
        raise LedgerError(Fault("resolved profile missing", where=str(folder)))
    profile, seed, base_ns = load_profile(folder / "profile.toml"), run["seed"], 0
    packets, duration_ns = run.get("packets"), run.get("duration_ns")
    if what == "soak":
        began = _stretch(stored, anomaly)
        profile = _changed(profile, began["sets"])
        seed, base_ns = began["seed"], began["from_ns"]
        packets = duration_ns = None
    if packets is None and duration_ns is None:
        duration_ns = 1 << 60
    return Plan(profile, int(seed), packets, duration_ns), base_ns


def _stretch(stored: StoredRun, anomaly: Mapping[str, Any]) -> dict[str, Any]:
    """How the stretch began in which an anomaly was."""
    for record in stored.intervals.records:
        began = record.get("event") == "stretch began"
        if began and record["stretch"] == anomaly.get("stretch"):
            return record
    what = "the record of its stretch is missing"
    raise LedgerError(Fault(what, where=str(stored.folder)))


def _changed(profile: Profile, sets: Sequence[str]) -> Profile:
    return Template.of_profile(profile).profile(sets) if sets else profile


def _compare(
    anomaly: Mapping[str, Any], before: Sequence[bytes], stored: StoredRun
) -> None:
    """Raise if the packets before it are not those that are kept with it."""
    kept = anomaly.get("before")
    if not kept:
        return
    made = [one.hex() for one in before]
    whole = [text for text in kept if text]
    if whole and whole != made[len(made) - len(whole) :]:
        what = "the packets before it are not made again as they are kept"
        mend = "with the version of the bench that the run states"
        raise UsageError(Fault(what, where=str(stored.folder), mend=mend))


def _told(
    result: StreamResult,
    stored: StoredRun,
    anomaly: Mapping[str, Any],
    number: int,
) -> StreamResult:
    """The result, with whether it came again."""
    kind, node = anomaly["kind"], anomaly["node"]
    records = read_run(result.run).anomalies.records
    again = any(
        one.get("kind") == kind
        and one.get("node") == node
        and one.get("packet") == anomaly.get("packet")
        for one in records
    )
    told = {
        "run": str(stored.folder),
        "anomaly": number,
        "kind": kind,
        "node": node,
        "reproduced": int(again),
        "times": 1,
    }
    figures = {**result.figures, "replay": told}
    verdict, reason, code = result.verdict, result.reason, result.exit_code
    if not again and verdict == "PASS":
        verdict = "FAIL"
        reason = f"{kind} at {node}: not reproduced, 0 of 1"
        code = int(ExitCode.FAIL)
    figures |= {"verdict": verdict, "reason": reason}
    return replace(
        result, verdict=verdict, reason=reason, exit_code=code, figures=figures
    )
