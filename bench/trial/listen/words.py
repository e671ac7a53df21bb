"""What is said of a bus that was listened to.

PASS: every candidate was a sound packet, and none is missing.  FAIL: something on the
bus was not as the profile says, or does not fit.  VOID: nothing can be said of it: no
octet came, none of it was a packet, or the host itself lost octets.  What was lost on
the way to this listener looks like what was lost on the bus, and is said so.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from bench.base.units import format_count

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


_LOST_HERE = ("overrun", "buffer_overrun")
"""What a transport counts of octets that its own host lost."""


@dataclass(frozen=True, slots=True)
class Said:
    """What is said.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID".
        reason: The first thing to act on, or what a pass rests on.
        failures: All that is wrong on the bus.
        void: All that keeps anything from being said.
        notes: What a reader has to know beside the numbers.
    """

    verdict: str
    reason: str
    failures: tuple[str, ...] = ()
    void: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())


def said_of(
    figures: Mapping[str, Any], fits: Mapping[str, Any], odd: Sequence[str]
) -> Said:
    """What is said of what was heard.

    Args:
        figures: Of a `Listening`, with `counts` (what the transport counted).
        fits: Of `bench.trial.listen.fit.fit`.
        odd: Of `bench.trial.listen.fit.odd_sizes`.
    """
    void = _void(figures)
    failures = [*_wrong(figures), *odd]
    if fits["fits"] is False:
        why = fits["why"] or f"{fits['tightest']} gives first"
        failures.append(f"this traffic does not fit: {why}")
    notes = _notes(figures)
    if figures["packets"] == 0 or (void and not failures):
        return Said("VOID", void[0], tuple(failures), tuple(void), notes)
    if failures:
        return Said("FAIL", failures[0], tuple(failures), tuple(void), notes)
    count = many(figures["packets"], "packet")
    fitting = {True: "; it fits the budget", None: "", False: ""}[fits["fits"]]
    kept = "" if figures["missing"] is None else ", none missing"
    return Said("PASS", f"{count}, all sound{kept}{fitting}", notes=notes)


def _void(figures: Mapping[str, Any]) -> list[str]:
    """Why nothing can be said."""
    void = []
    characters = format_count(figures["characters"])
    if figures["characters"] == 0:
        void.append("nothing was heard")
    elif figures["packets"] == 0:
        void.append(
            f"no packet of this profile in {characters} characters: look at baud, "
            "character format, polarity of the line, and packet format"
        )
    void += [
        f"{format_count(lost)} characters or more were lost by this host, not by the "
        f"bus ({word.replace('_', ' ')})"
        for word in _LOST_HERE
        if (lost := figures["counts"].get(word))
    ]
    return void


def _wrong(figures: Mapping[str, Any]) -> list[str]:
    """What was not as it should be."""
    wrong = []
    if spoilt := figures["spoilt"]:
        reasons = ", ".join(f"{n} {word}" for word, n in figures["rejected"].items())
        wrong.append(f"spoilt in {many(spoilt, 'place')}: {reasons}")
    if missing := figures["missing"]:
        wrong.append(f"{many(missing, 'packet')} missing by their sequence")
    unknown = [one for one in figures["addresses"] if one["kind"] == "unknown"]
    if unknown:
        addresses = ", ".join(str(one["address"]) for one in unknown[:8])
        total = sum(one["packets"] for one in unknown)
        if total:
            wrong.append(f"{many(total, 'packet')} for nobody ({addresses})")
    octets = figures["garbage"]["octets"]
    if octets and not figures["spoilt"]:
        wrong.append(f"{many(octets, 'octet')} in no packet")
    return wrong


def _notes(figures: Mapping[str, Any]) -> tuple[str, ...]:
    """What a reader has to know."""
    notes = []
    if figures["spoilt"] or figures["missing"]:
        notes.append(
            "what this listener's own receiver lost looks the same as what was lost "
            "on the bus: compare with a second listener before anybody is blamed"
        )
    reads = figures["reads"]
    if reads["silence_seen"] is False:
        notes.append(
            "reads hold more than a silence between packets is long: packets that came "
            "in one read may have been taken for one"
        )
    return tuple(notes)


def many(count: int, what: str) -> str:
    """So many of something."""
    return f"{format_count(count)} {what}{'' if count == 1 else 's'}"
