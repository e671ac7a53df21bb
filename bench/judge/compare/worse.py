"""Whether the second of two runs is worse than the first.

It is worse if it fails where the first passed; if it does what no host can have caused
and the first did not; if packets are lost (or late, …) so much more often, or a new
cause is so frequent, that chance does not explain it; or if a latency became longer by
more than the tolerance, and surely.  All tests together call a board worse that is not
in at most 1 - confidence of all comparisons: half of that is for the counts, shared out
by Holm's rule, and half for the latencies, shared out evenly.

Intervals are told at the stated confidence, whatever the tests were held against.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode
from bench.judge.compare.odds import Counts, surely_more
from bench.judge.compare.resample import difference
from bench.judge.compare.sides import LATENCIES, SOFT
from bench.judge.statistics import ASSUMPTION, binomial_interval, binomial_upper

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.judge.compare.sides import Side

    Told = dict[str, Any]

CONFIDENCE = 0.95
TOLERANCE = 0.01
"""A latency that is longer by less than this share is no matter, however sure it is."""

WORSE, NOT_WORSE, CANNOT_SAY = "worse", "not worse", "cannot say"

_CODES = {
    WORSE: ExitCode.FAIL,
    NOT_WORSE: ExitCode.PASS,
    CANNOT_SAY: ExitCode.VOID,
}
_QUANTILES = {"p50": 0.5, "p99": 0.99}


def compared(
    before: Side,
    after: Side,
    confidence: float = CONFIDENCE,
    tolerance: float = TOLERANCE,
) -> Told:
    """The comparison, as strict JSON.

    Args:
        before: The first run.
        after: The second.
        confidence: Of intervals, and against false alarms.
        tolerance: Share by which a latency may be longer.
    """
    void = _void(before, after)
    level = (1 - confidence) / 2
    rates = _rates(before, after, confidence)
    causes = _causes(before, after)
    tests = [*rates, *(one for one in causes if one["new"])]
    if void:
        tests = [one for one in tests if one["hard"]]
    chances = [one["chance"] for one in tests]
    for one, says in zip(tests, surely_more(chances, level), strict=True):
        one["worse"] = says or (one["hard"] and not one["before"] and one["after"] > 0)
    latency = [] if void else _latency(before, after, level, confidence, tolerance)
    failed = before.verdict == "PASS" and after.verdict == "FAIL"
    reasons = [f"it fails where it passed before: {after.reason}"] if failed else []
    reasons += [_rate_worse(one) for one in rates if one["worse"]]
    reasons += [_cause_worse(one) for one in causes if one["worse"]]
    reasons += [_latency_worse(one) for one in latency if one["worse"]]
    outcome = WORSE if reasons else CANNOT_SAY if void else NOT_WORSE
    reason = next(iter([*reasons, *void]), "") or _not_worse(rates, confidence)
    return {
        "outcome": outcome,
        "reason": reason,
        "exit_code": int(_CODES[outcome]),
        "worse": reasons,
        "void": void,
        "confidence": confidence,
        "tolerance": tolerance,
        "rates": rates,
        "latency": latency,
        "causes": causes,
        "notes": _notes(before, after, latency),
    }


def _void(before: Side, after: Side) -> list[str]:
    """Why loss and latency can not be compared."""
    void = []
    for name, side in (("first", before), ("second", after)):
        if side.verdict is None:
            void.append(f"the {name} run did not come to a verdict")
        elif side.verdict == "VOID":
            void.append(f"the {name} run is void: {side.reason}")
        elif not side.offered:
            void.append(f"the {name} run has no packet that says anything")
        elif side.soft["lost"] is None:
            void.append(f"what became of packets of the {name} run is not observable")
    return void


# --- counts ---------------------------------------------------------------------------


def _rates(before: Side, after: Side, confidence: float) -> list[Told]:
    """Each kind of fault that both runs could observe."""
    wanted = [(word, one, two, False) for word, one, two in _soft(before, after)]
    wanted += [(word, one, two, True) for word, one, two in _hard(before, after)]
    rates = []
    for word, was, is_, hard in wanted:
        if was is None or is_ is None:
            continue
        rate: Told = {"what": word, "hard": hard, "before": was[0], "after": is_[0]}
        rate |= {"before_of": was[1], "after_of": is_[1], "worse": False}
        # Strays and the like may be more than what they are counted over.
        pair = _at_most(was), _at_most(is_)
        counts = Counts(*pair)
        low, high = counts.interval(confidence)
        rate |= {"chance": counts.more(), "odds": counts.odds()}
        rate |= {"odds_low": low, "odds_high": high}
        for name, count in zip(("before", "after"), pair, strict=True):
            ends = binomial_interval(*count, confidence) if count[1] else (0.0, 1.0)
            rate |= {f"{name}_low": ends[0], f"{name}_high": ends[1]}
        rates.append(rate)
    return rates


def _soft(
    before: Side, after: Side
) -> list[tuple[str, tuple[int, int] | None, tuple[int, int] | None]]:
    return [
        (
            word,
            _pair(before.soft[word], before.offered),
            _pair(after.soft[word], after.offered),
        )
        for word in SOFT
    ]


def _hard(
    before: Side, after: Side
) -> list[tuple[str, tuple[int, int] | None, tuple[int, int] | None]]:
    return [
        (
            word,
            _pair(before.hard[word], _of(before, word)),
            _pair(after.hard[word], _of(after, word)),
        )
        for word in before.hard
    ]


def _of(side: Side, word: str) -> int | None:
    return side.bursts if word in ("wrong_clocks", "stray") else side.all_offered


def _pair(events: int | None, trials: int | None) -> tuple[int, int] | None:
    return None if events is None or trials is None else (max(0, events), trials)


def _at_most(count: tuple[int, int]) -> tuple[int, int]:
    return min(count), count[1]


def _causes(before: Side, after: Side) -> list[Told]:
    """Causes that the second run has, new ones first, then those that are gone."""
    told = []
    for key in [
        *after.causes,
        *(key for key in before.causes if key not in after.causes),
    ]:
        what, cause = key
        was, is_ = before.causes.get(key, 0), after.causes.get(key, 0)
        hard = what in before.hard
        new = not was
        one: Told = {"what": what, "cause": cause, "before": was, "after": is_}
        one |= {"new": new, "gone": not is_, "hard": hard, "worse": False}
        pairs = _pair(was, before.all_offered), _pair(is_, after.all_offered)
        one["chance"] = 1.0
        if pairs[0] and pairs[1]:
            one["chance"] = Counts(_at_most(pairs[0]), _at_most(pairs[1])).more()
        told.append(one)
    return sorted(told, key=lambda one: (not one["new"], one["gone"], -one["after"]))


# --- latency --------------------------------------------------------------------------


def _latency(
    before: Side, after: Side, level: float, confidence: float, tolerance: float
) -> list[Told]:
    """Each quantile that both runs have."""
    both = [what for what in LATENCIES if what in before.times and what in after.times]
    held = 1 - 2 * level / max(1, len(both) * len(_QUANTILES))
    told = []
    for what in both:
        pair = before.times[what], after.times[what]
        for name, p in _QUANTILES.items():
            one = difference(*pair, p, (confidence, held))
            one["worse"] = one["surely_ns"] > tolerance * one["before_ns"]
            told.append({"what": what, "quantile": name, **one})
    return told


# --- sentences ------------------------------------------------------------------------


def _rate_worse(one: Told) -> str:
    what = one["what"].replace("_", " ")
    text = (
        f"{what}: {one['after']} of {one['after_of']}, before {one['before']} of "
        f"{one['before_of']}"
    )
    if one["hard"] and not one["before"]:
        return f"{text}, which no host can have caused"
    return f"{text}; at one rate the chance of so many is {_chance(one['chance'])}"


def _cause_worse(one: Told) -> str:
    what = one["what"].replace("_", " ")
    return f"new: {one['after']} {what}, {one['cause']}"


def _latency_worse(one: Told) -> str:
    return (
        f"latency {LATENCIES[one['what']]}, {one['quantile']}: {_ms(one['after_ns'])}, "
        f"before {_ms(one['before_ns'])}"
    )


def _not_worse(rates: Sequence[Told], confidence: float) -> str:
    """What a comparison rests on that finds nothing."""
    lost = next(one for one in rates if one["what"] == "lost")
    if not lost["before"] and not lost["after"]:
        return (
            f"nothing lost in {lost['before_of']} and in {lost['after_of']} packets; "
            f"loss below {binomial_upper(0, lost['before_of'], confidence):.3g} and "
            f"{binomial_upper(0, lost['after_of'], confidence):.3g} at "
            f"{100 * confidence:g} % confidence"
        )
    high = lost["odds_high"]
    most = "any number of" if high is None else f"at most {high:.3g}"
    return (
        f"lost {lost['after']} of {lost['after_of']}, before {lost['before']} of "
        f"{lost['before_of']}: {most} times the odds of before"
    )


def _notes(before: Side, after: Side, latency: Sequence[Told]) -> list[str]:
    notes = [f"counts: assuming that {ASSUMPTION}"]
    for name, side in (("first", before), ("second", after)):
        if side.void_intervals:
            notes.append(
                f"{side.void_intervals} intervals of the {name} run that the host "
                "spoilt are left out of loss and latency"
            )
    if latency:
        drawn = sorted({one["drawn"] for one in latency})
        notes.append(f"latency: bootstrap, drawing {' and '.join(drawn)}")
    return notes


def _chance(chance: float) -> str:
    return "below 1e-12" if chance < 1e-12 else f"{chance:.2g}"


def _ms(ns: float) -> str:
    return f"{ns / 1e6:.6f}".rstrip("0").rstrip(".") + " ms"
