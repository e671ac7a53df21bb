"""One thing that is wrong with a node: the smallest case, and what it did.

A finding is plain JSON, for the ledger and for whoever reads it; what the corpus keeps
is made of the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.fuzz.attacks.kinds import KINDS, NUMBER_OF
from bench.fuzz.cases import AFTER, FILL, Case
from bench.fuzz.corpus.text import Kept
from bench.fuzz.shrink.rate import Rate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.fuzz.attacks import Attacks
    from bench.fuzz.shrink import Shrunk

_AROUND = {0: "", AFTER: "after", FILL: "fill", AFTER | FILL: "after fill"}
_AROUND_OF = {text: bits for bits, text in _AROUND.items()}

_WHOLE = 1024
"""Octets of a case that are written out; its rows say all of longer ones."""

_ENDS = 64
"""Octets of a packet that are written out in a longer case, half of them at its end."""

_BETWEEN = " | "
"""Between the octets of one packet and the next."""

CALM = "good-traffic"
"""The attack of a case that needs none: good traffic alone breaks the node."""


# --- cases as JSON --------------------------------------------------------------------


def case_dict(case: Case) -> dict[str, Any]:
    """A case as strict JSON."""
    return {
        "rows": [[KINDS[row[0]].name, row[1], row[2]] for row in case.rows.tolist()],
        "seed": case.seed,
        "number": case.number,
        "before": case.before,
        "around": _AROUND[case.around],
    }


def case_of(given: Mapping[str, Any], where: str = "") -> Case:
    """The case of what `case_dict` wrote.

    Raises:
        UsageError: If it has an attack that this version does not know.
    """
    rows = []
    for name, place, value in given["rows"]:
        number = NUMBER_OF.get(name)
        if number is None:
            mend = "update nightbench to replay it"
            what = "an attack that this version does not know"
            raise UsageError(Fault(what, shown(name), "", where, mend))
        rows.append((number, place, value))
    made = np.array(rows, np.int64).reshape(-1, 3)
    around = _AROUND_OF[given["around"]]
    return Case(made, given["seed"], given["number"], given["before"], around)


def attacks_of(case: Case) -> tuple[str, ...]:
    """The names of what a case is made of, each once."""
    return tuple(dict.fromkeys(KINDS[kind].name for kind in case.rows[:, 0].tolist()))


# --- findings -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Named:
    """What a case is a case of.

    Attributes:
        profile: As it was named.
        sets: What was overridden.
        digest: Of what a case depends on.
    """

    profile: str
    sets: tuple[str, ...]
    digest: str


def finding_of(
    oracle: str, shrunk: Shrunk, was: Case, attacks: Attacks
) -> dict[str, Any]:
    """A finding as strict JSON.

    Args:
        oracle: What the case breaks.
        shrunk: The smallest case.
        was: The case that was found.
        attacks: Who tells it.
    """
    breach, case, rate = shrunk.breach, shrunk.case, shrunk.rate
    names = attacks_of(case)
    send, octets = told(case, attacks)
    return {
        "oracle": oracle,
        "attack": names[0] if names else CALM,
        "attacks": list(names),
        "wrong": breach.text if breach else f"{oracle}: it was not seen again",
        "text": send,
        "octets": _BETWEEN.join(octets),
        "should": breach.should if breach else "",
        "did": breach.did if breach else "",
        "rate": rate.failed / rate.tries if rate.tries else None,
        "failed": rate.failed,
        "tries": rate.tries,
        "was": len(was.rows),
        "tried": shrunk.tries,
        "spent_ns": shrunk.spent_ns,
        "why": shrunk.why,
        **case_dict(case),
        "case": None,
    }


def told(case: Case, attacks: Attacks) -> tuple[list[str], list[str]]:
    """What to send: in words, and the octets of each packet or of what is in place."""
    laid = attacks.lay(case)
    whole = laid.line.octets.tobytes()
    octets = []
    for piece in laid.pieces:
        first, count = int(piece["first"]), int(piece["octets"])
        octets.append(_hexadecimal(whole[first : first + count], len(whole)))
    return attacks.told(case), octets


def _hexadecimal(octets: bytes, of: int) -> str:
    """Octets of a case; the middle of long ones is left out where there are many."""
    if of <= _WHOLE or len(octets) <= _ENDS:
        return octets.hex(" ").upper()
    half = _ENDS // 2
    left = len(octets) - 2 * half
    ends = octets[:half].hex(" ").upper(), octets[-half:].hex(" ").upper()
    return f"{ends[0]} … {left} more … {ends[1]}"


def kept_from(finding: Mapping[str, Any], named: Named) -> Kept:
    """What the corpus keeps of a finding."""
    return Kept(
        profile=named.profile,
        sets=named.sets,
        digest=named.digest,
        seed=finding["seed"],
        number=finding["number"],
        before=finding["before"],
        around=finding["around"],
        rows=tuple((name, place, value) for name, place, value in finding["rows"]),
        attack=finding["attack"],
        oracle=finding["oracle"],
        rate=Rate(finding["failed"], finding["tries"]),
        text=finding["wrong"],
        send=tuple(finding["text"]),
        octets=tuple(finding["octets"].split(_BETWEEN)),
        should=finding["should"],
        did=finding["did"],
    )


def case_kept(kept: Kept, attacks: Attacks, where: str) -> Case:
    """The case that the corpus keeps.

    Args:
        kept: What its file holds.
        attacks: Who is to lay it.
        where: Its file.

    Raises:
        UsageError: If it has an attack that this version does not know, or rows that
            mean nothing for these packets.
    """
    case = case_of(
        {
            "rows": kept.rows,
            "seed": kept.seed,
            "number": kept.number,
            "before": kept.before,
            "around": kept.around,
        },
        where,
    )
    attacks.check(case)
    for kind, place, value in case.rows.tolist():
        span = attacks.ranges[kind]
        most = max(span.most, *span.specials, 0)
        if place >= max(1, span.places) or value > most:
            text = f"{KINDS[kind].name} {place} {value}"
            expected = f"a place below {span.places}, a value up to {most}"
            fault = Fault("a row that cannot be laid", text, expected, where)
            raise UsageError(fault)
    return case
