"""The opening: the verdict, how sure it is, and the few figures to remember.

Where a run did not come to a verdict, that is said, and its intervals are summed up
instead; what nobody could see is named, and never a zero.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.report.night.blocks import Opening
from bench.report.night.reading import (
    UNSEEN,
    chance,
    count,
    number,
    part,
    texts,
    time,
    total,
    whole,
    words,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.ledger import StoredRun
    from bench.report.page import Role

    Record = Mapping[str, Any]
    Figure = tuple[str, str, Role]

ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

NO_VERDICT = "NO VERDICT"

_MORE = 8
"""Further failures that are told at once."""

_WRONG = ("lost", "corrupt", "stray", "late", "repeated", "out_of_order")


def opening_of(stored: StoredRun, intervals: Sequence[Record]) -> Opening:
    """The opening of a run.

    Args:
        stored: The run.
        intervals: Its intervals, events left out.
    """
    verdict = stored.verdict
    if verdict is None:
        return _unfinished(intervals)
    word = words(verdict, "verdict")
    reason = words(verdict, "reason")
    others = [
        *texts(verdict, "failures"),
        *texts(verdict, "void"),
        *texts(verdict, "says"),
    ]
    more = [text for text in dict.fromkeys(others) if text != reason]
    left = len(more) - _MORE
    if left > 0:
        more = [*more[:_MORE], f"and {left} more, in verdict.json"]
    if ledger := part(verdict, "ledger"):
        unwritten = count(number(ledger, "unwritten"))
        more.append(f"{words(ledger, 'failed')}; records not written: {unwritten}")
    return Opening(
        word or NO_VERDICT,
        ROLES.get(word, "open"),
        reason or "the verdict states no reason",
        more,
        _sure(verdict),
        _figures(verdict),
    )


def _unfinished(intervals: Sequence[Record]) -> Opening:
    """A run without a verdict."""
    if not intervals:
        sentence = "the run is empty: nothing was recorded before it ended"
        return Opening(NO_VERDICT, "open", sentence)
    sentence = (
        "the run did not come to its end, or its verdict cannot be read; what is told "
        f"here is summed up from {count(len(intervals))} intervals of its log"
    )
    sums = {
        name: total(intervals, "packets", name)
        for name in ("offered", "shown", *_WRONG)
    }
    facts = [
        ("How sure", "nothing is judged; the sums below are counts and no verdict")
    ]
    unseen = [name.replace("_", " ") for name, value in sums.items() if value is None]
    if unseen:
        facts.append(("Not observable", ", ".join(unseen)))
    return Opening(NO_VERDICT, "open", sentence, (), facts, _packets(sums))


# --- how sure -------------------------------------------------------------------------


def _sure(verdict: Record) -> list[tuple[str, str]]:
    """How sure one can be, and what nobody could see."""
    facts = []
    if text := confidence(verdict):
        facts.append(("How sure", text))
    if wanted := _wanted(verdict):
        facts.append(("Wanted", wanted))
    if valid := _valid(verdict):
        facts.append(("Worth", valid))
    unseen = texts(verdict, "not_observable")
    if unseen:
        facts.append(("Not observable", ", ".join(unseen)))
    elif "not_observable" in verdict and part(verdict, "packets"):
        facts.append(("Not observable", "nothing that was asked for"))
    if signal := words(verdict, "signal"):
        facts.append(("Stopped", f"by {signal}; the verdict is over what was sent"))
    if lost := words(verdict, "lost") or words(verdict, "link_lost"):
        facts.append(("Link lost", lost))
    return facts


def confidence(verdict: Record) -> str:
    """The sentence of confidence in the loss; "" where loss is no matter."""
    loss = part(verdict, "loss")
    if not loss:
        return ""
    packets, upper = whole(loss, "n"), number(loss, "upper")
    level = number(loss, "confidence")
    if not packets:
        return "no packet was offered to a node that is observed, so loss is unknown"
    if upper is None or level is None:
        return "what was lost is not observable, so the loss is unknown and not zero"
    rate = number(loss, "rate") or 0.0
    text = f"with {100 * level:g} % confidence the loss is below {chance(upper)}"
    text += f" ({upper:.3g}), from {count(packets)} packets"
    if rate:
        lost = count(round(rate * packets))
        text += f" of which {lost} were not shown as sent, {chance(rate)}"
    else:
        text += " and none lost"
    assumes = words(loss, "assumes")
    text += f"; this holds if {assumes}" if assumes else ""
    needed = whole(loss, "packets_needed", "1e-6")
    if not rate and needed and packets < needed:
        text += f". For a bound of one in a million it takes {count(needed)} packets"
    return text


def _wanted(verdict: Record) -> str:
    """The bound that a soak was to reach, and whether it did."""
    wanted = part(verdict, "soak", "wanted")
    bound, level = number(wanted, "rate"), number(wanted, "confidence")
    if bound is None:
        return ""
    at_level = f" with {100 * level:g} % confidence" if level is not None else ""
    reached = "reached" if wanted.get("reached") is True else "not reached"
    packets = whole(wanted, "packets")
    takes = "" if packets is None else f"; it takes {count(packets)} packets, none lost"
    return f"loss below {chance(bound)}{at_level}: {reached}{takes}"


def _valid(verdict: Record) -> str:
    """How much of a soak says anything."""
    soak = part(verdict, "soak")
    intervals, valid = whole(soak, "intervals"), whole(soak, "valid")
    if intervals is None or valid is None:
        return ""
    void = whole(soak, "void") or 0
    text = f"{count(valid)} of {count(intervals)} intervals say something"
    if void:
        text += (
            f"; {count(void)} are void, for the host spoilt them: they count for wrong "
            "data, strays and clocks, and for nothing else"
        )
    if missing := number(soak, "missing_ns"):
        text += f"; {time(missing)} of the run are missing"
    return text


# --- figures --------------------------------------------------------------------------


def _figures(verdict: Record) -> list[Figure]:
    """The few figures to remember."""
    figures: list[Figure] = []
    packets = part(verdict, "packets")
    if packets:
        figures += _packets({name: whole(packets, name) for name in packets})
        upper = number(verdict, "loss", "upper")
        figures.append(
            ("loss below", chance(upper), "" if upper is not None else "open")
        )
    latest = number(verdict, "latency_ns", "shown", "max")
    if latest is not None:
        figures.append(("longest latency", time(latest), ""))
    trial_ns = number(verdict, "trial_ns")
    if trial_ns is not None:
        figures.append(("on the line", time(trial_ns, 3), ""))
    return figures if len(figures) > 1 else []


def _packets(sums: Mapping[str, int | None]) -> list[Figure]:
    """Packets offered and shown, and what went wrong with the others."""
    figures: list[Figure] = [
        ("packets offered", count(sums.get("offered")), ""),
        (
            "shown",
            count(sums.get("shown")),
            "open" if sums.get("shown") is None else "",
        ),
    ]
    for name in _WRONG:
        value = sums.get(name)
        if value or name == "lost":
            role: Role = "bad" if value else "good"
            role = "open" if value is None else role
            figures.append((name.replace("_", " "), count(value), role))
    return figures


__all__ = ["NO_VERDICT", "ROLES", "UNSEEN", "confidence", "opening_of"]
