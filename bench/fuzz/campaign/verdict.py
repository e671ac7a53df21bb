"""The verdict of a campaign, as its ledger keeps it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.base.units import format_count

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.fuzz.campaign.tally import Tally

    Finding = Mapping[str, Any]


def fuzz_verdict(
    tally: Tally,
    findings: Sequence[Finding],
    known: Mapping[str, Any],
    order: Sequence[str],
) -> dict[str, Any]:
    """The figures of a campaign, its verdict first.

    FAIL where anything is wrong with a node.  VOID where nothing was tried, or where
    the bench did not do what cases say.  PASS says what was tried, and no more.

    Args:
        tally: What became of the cases.
        findings: What is wrong, the newest last.
        known: What else the part "fuzz" holds: `seed`, `corpus`, `open`, `void`
            (sentences), `ended` (why it ended early, or None), `last` (the case that
            was last then), `revived`, `left_out`.
        order: Of the attacks.
    """
    failures = [_told(finding) for finding in findings]
    void = list(known["void"])
    if not tally.cases and not known["corpus"]["replayed"]:
        void.append("no case was tried")
    word = "FAIL" if failures else "VOID" if void else "PASS"
    reasons = {
        "FAIL": failures[:1],
        "VOID": void[:1],
        "PASS": [_passed(tally)],
    }
    reason = reasons[word][0]
    if len(failures) > 1:
        reason = f"{len(failures)} things are wrong; first: {failures[0]}"
    if known["ended"]:
        reason += f"; ended early: {known['ended']}"
    notes = []
    if passed := sum(tally.passed.values()):
        notes.append(
            f"{format_count(passed)} damaged packets were sound all the same, which no "
            "receiver can know; they are no failures"
        )
    if known["left_out"]:
        notes.append(
            f"{format_count(known['left_out'])} cases were left out: this link cannot "
            "send such characters"
        )
    if known["revived"]:
        notes.append(f"a dead board was revived {known['revived']} times")
    return {
        "verdict": word,
        "reason": reason,
        "exit_code": int(ExitCode[word]),
        "failures": failures,
        "void": void,
        "notes": notes,
        "trial_ns": tally.trial_ns,
        "characters": tally.characters,
        "fuzz": {
            "cases": tally.cases,
            "found": tally.found,
            "attacks": tally.rows(order),
            "findings": list(findings),
            "passed": dict(sorted(tally.passed.items())),
            "coverage": dict(sorted(tally.seen.items())) or None,
            **{key: known[key] for key in known if key != "void"},
        },
    }


def _told(finding: Finding) -> str:
    """A finding in one sentence."""
    failed, tries = finding["failed"], finding["tries"]
    often = "" if failed == tries else f", {failed} of {tries} times"
    if not failed:
        often = f", not reproduced in {tries} tries"
    return f"{finding['oracle']}: {finding['wrong']} ({finding['attack']}{often})"


def _passed(tally: Tally) -> str:
    """What a pass rests on."""
    text = f"nothing wrong in {format_count(tally.cases)} cases"
    attacks = sum(1 for counts in tally.attacks.values() if counts["cases"])
    return f"{text} of {attacks} attacks"
