"""The verdict: PASS, FAIL or VOID, and the first thing to act on.

Pure functions of figures and limits.  The rules stand in one table, in the order in
which somebody would act: what explains other faults comes before them.

VOID means that the bench did not do what the plan says, so that loss and latency say
nothing.  It never hides what a late host cannot have caused: a wedged node, a wrong
number of clocks, wrong data, a stray burst.  Those fail the trial all the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.link.evidence import NO_EVIDENCE

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.link.evidence import Evidence
    from bench.profile.model import Accept

    Figures = dict[str, Any]
    Check = Callable[[Figures, Accept], str | None]


class Outcome(Enum):
    """What a trial says."""

    PASS = "PASS"  # noqa: S105 (no password)
    FAIL = "FAIL"
    VOID = "VOID"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one trial says, and why.

    Attributes:
        outcome: PASS, FAIL or VOID.
        reason: One sentence: the first thing to act on, or what a pass rests on.
        failures: Every limit that was not kept, the first to act on first.
        void: Why the bench did not do what the plan says.
        not_observable: What was asked for and nobody could see.
        figures: All counts and measures, as strict JSON.
        notes: What a reader has to know of the link beside the numbers.
    """

    outcome: Outcome
    reason: str
    failures: tuple[str, ...]
    void: tuple[str, ...]
    not_observable: tuple[str, ...]
    figures: Figures
    notes: tuple[str, ...] = ()

    @property
    def exit_code(self) -> ExitCode:
        """What the process says to its caller."""
        return ExitCode[self.outcome.name]

    def as_dict(self) -> dict[str, Any]:
        """Everything, as strict JSON: no NaN, no infinity, None for not observable."""
        return {
            "verdict": self.outcome.value,
            "reason": self.reason,
            "exit_code": int(self.exit_code),
            "failures": list(self.failures),
            "void": list(self.void),
            "not_observable": list(self.not_observable),
            "notes": [*_notes(self.figures), *self.notes],
            **self.figures,
        }


def decide(
    figures: Figures,
    accept: Accept,
    void: Sequence[str] = (),
    evidence: Evidence = NO_EVIDENCE,
) -> Verdict:
    """The verdict on figures.

    Args:
        figures: As `Judge` sums them up.
        accept: The limits.
        void: Why the bench did not do what the plan says.
        evidence: What the link knows beside what was seen.  What it found of nodes
            fails a void trial too.
    """
    if evidence.figures:
        figures = {**figures, "link": dict(evidence.figures)}
    reasons = [*void, *evidence.void] or _nothing_to_judge(figures)
    failures = [*_broken(figures, accept, hard=True), *evidence.findings]
    if not reasons:
        failures += _broken(figures, accept, hard=False)
    unseen = _not_observable(figures, accept)
    if failures:
        outcome, reason = Outcome.FAIL, failures[0]
    elif reasons:
        outcome, reason = Outcome.VOID, reasons[0]
    else:
        outcome, reason = Outcome.PASS, _what_a_pass_rests_on(figures, unseen)
    said = tuple(failures), tuple(reasons), tuple(unseen)
    return Verdict(outcome, reason, *said, figures, evidence.notes)


def _broken(figures: Figures, accept: Accept, *, hard: bool) -> list[str]:
    """Limits that were not kept, of those that fail a void trial too or of others."""
    texts = (check(figures, accept) for check, is_hard in _RULES if is_hard == hard)
    return [text for text in texts if text]


# --- the rules ------------------------------------------------------------------------


def _wedged(figures: Figures, _: Accept) -> str | None:
    for node in figures["nodes"]:
        if silent := node.get("silent_packets"):
            return (
                f"{node['name']} is wedged: it showed nothing of the last {silent} "
                "packets sent to it"
            )
    return None


def _wrong_clocks(figures: Figures, accept: Accept) -> str | None:
    bursts = figures["bursts"]
    if (bursts["wrong_clocks"] or 0) <= accept.wrong_clocks:
        return None
    return (
        f"{_of(bursts['wrong_clocks'], bursts['count'], 'burst')} had a wrong number "
        f"of clocks{_where(figures, 'bursts', 'wrong_clocks')}: "
        f"{_cause(figures, 'wrong_clocks')}"
    )


def _corrupt(figures: Figures, _: Accept) -> str | None:
    return _packets_that(figures, "corrupt", "shown with wrong data")


def _stray(figures: Figures, _: Accept) -> str | None:
    count = figures["packets"]["stray"]
    if not count:
        return None
    bursts = figures["bursts"]["count"]
    return (
        f"{_of(count, bursts, 'burst')} showed what was not for the node"
        f"{_where(figures, 'packets', 'stray')}: {_cause(figures, 'stray')}"
    )


def _marginal(figures: Figures, accept: Accept) -> str | None:
    bursts = figures["bursts"]
    if (bursts["marginal"] or 0) <= accept.marginal:
        return None
    return (
        f"{_of(bursts['marginal'], bursts['count'], 'burst')} stopped so close to a "
        f"clock edge that it may count{_where(figures, 'bursts', 'marginal')}"
    )


def _short_gap(figures: Figures, _: Accept) -> str | None:
    bursts = figures["bursts"]
    if not bursts["short_gaps"]:
        return None
    return (
        f"{_of(bursts['short_gaps'], bursts['count'], 'burst')} began before the "
        f"latch gap had passed{_where(figures, 'bursts', 'short_gaps')}: the least "
        f"was {_ms(bursts['least_gap_ns'])}"
    )


def _lost(figures: Figures, accept: Accept) -> str | None:
    if (figures["loss_rate"] or 0) <= accept.loss:
        return None
    return _packets_that(figures, "lost", "not shown")


def _repeated(figures: Figures, _: Accept) -> str | None:
    return _packets_that(figures, "repeated", "shown more than once")


def _out_of_order(figures: Figures, _: Accept) -> str | None:
    return _packets_that(figures, "out_of_order", "shown out of order")


def _late(figures: Figures, accept: Accept) -> str | None:
    if not figures["packets"]["late"] or accept.latency_ns is None:
        return None
    latest = figures["latency_ns"]["shown"]["max"]
    return (
        f"{_packets_that(figures, 'late', 'shown late')}, the latest after "
        f"{_ms(latest)}, limit {_ms(accept.latency_ns)}"
    )


def _skew(figures: Figures, accept: Accept) -> str | None:
    skew = figures["skew_ns"]
    most = skew["max"] if skew is not None else None
    if accept.skew_ns is None or most is None or most <= accept.skew_ns:
        return None
    return f"one frame was shown over {_ms(most)}, limit {_ms(accept.skew_ns)}"


_RULES: tuple[tuple[Check, bool], ...] = (
    (_wedged, True),
    (_wrong_clocks, True),
    (_corrupt, True),
    (_stray, True),
    (_marginal, False),
    (_short_gap, False),
    (_lost, False),
    (_repeated, False),
    (_out_of_order, False),
    (_late, False),
    (_skew, False),
)
"""Each rule, and whether it fails a void trial too."""


# --- sentences ------------------------------------------------------------------------


def _ms(ns: int) -> str:
    """A time to the nanosecond."""
    return f"{ns / 1e6:.6f}".rstrip("0").rstrip(".") + " ms"


def _of(count: int, total: int | None, thing: str) -> str:
    """Some of so many things; of a number that is not observable, just some."""
    if total is None:
        return f"{count} {thing}{'' if count == 1 else 's'}"
    return f"{count} of {total} {thing}{'' if total == 1 else 's'}"


def _where(figures: Figures, part: str, word: str) -> str:
    """Which node, if all of them are at one of several."""
    nodes = [node for node in figures["nodes"] if part in node]
    having = [node["name"] for node in nodes if node[part][word]]
    return f" at {having[0]}" if len(having) == 1 < len(nodes) else ""


def _cause(figures: Figures, what: str) -> str:
    """The most frequent cause."""
    texts = [cause for cause in figures["causes"] if cause["what"] == what]
    if not texts:
        return "cause not known"
    most = texts[0]
    return most["cause"] if len(texts) == 1 else f"mostly {most['cause']}"


def _packets_that(figures: Figures, word: str, done: str) -> str | None:
    """Some packets were ..., with the cause where there is one."""
    count = figures["packets"][word]
    if not count:
        return None
    verb = "was" if count == 1 else "were"
    text = f"{_of(count, figures['packets']['offered'], 'packet')} {verb} {done}"
    text += _where(figures, "packets", word)
    known = any(cause["what"] == word for cause in figures["causes"])
    return f"{text}: {_cause(figures, word)}" if known else text


def _nothing_to_judge(figures: Figures) -> list[str]:
    """Why there is nothing to judge, if there is not."""
    if not figures["packets"]["offered"]:
        return ["no packet was offered to a node that is observed"]
    if figures["packets"]["shown"] is None:
        return ["what the nodes show is not observable on this link"]
    return []


def _not_observable(figures: Figures, accept: Accept) -> list[str]:
    """Limits that nobody could hold the trial against."""
    packets, bursts = figures["packets"], figures["bursts"]
    asked = {
        "what is shown": packets["shown"],
        "wrong data": packets["corrupt"],
        "clocks": bursts["wrong_clocks"],
        "marginal pulses": bursts["marginal"],
        "latch gaps": bursts["short_gaps"],
    }
    if accept.latency_ns is not None:
        asked["latency"] = figures["latency_ns"]["shown"]
    if accept.skew_ns is not None:
        asked["skew"] = figures["skew_ns"]
    return [what for what, figure in asked.items() if figure is None]


def _what_a_pass_rests_on(figures: Figures, unseen: Sequence[str]) -> str:
    """How many packets, and what bounds the loss."""
    packets = figures["packets"]
    text = (
        f"{_of(packets['shown'], packets['offered'], 'packet')} shown; loss below "
        f"{figures['loss_upper']:.3g} at {100 * figures['confidence']:g} % confidence, "
        f"if {figures['loss']['assumes']}"
    )
    return f"{text}; not observable: {', '.join(unseen)}" if unseen else text


def _notes(figures: Figures) -> list[str]:
    """What a reader has to know beside the numbers."""
    notes = []
    if ambiguous := figures["packets"]["ambiguous"]:
        notes.append(
            f"{_of(ambiguous, figures['packets']['offered'], 'packet')} held the same "
            "as another that waited at the same node: they are counted, but which of "
            "them was shown, and when, cannot be told"
        )
    if later := figures.get("later_sync"):
        notes.append(
            f"{_of(later, figures['packets']['offered'], 'packet')} shown on a later "
            "sync than the one that followed: that one came before they were "
            "rearranged, or was missed"
        )
    if held := figures.get("held"):
        notes.append(
            f"{_of(held, None, 'packet')} held at the end, for no sync came any more "
            "that could show it: not counted as offered"
        )
    return notes
