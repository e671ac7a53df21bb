"""What is in the corpus is replayed before anything new is tried."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import UsageError
from bench.fuzz.campaign.finding import case_kept
from bench.fuzz.shrink import Rate, Shrunk
from bench.judge.statistics import packets_needed

if TYPE_CHECKING:
    from pathlib import Path

    from bench.fuzz.campaign.finding import Named
    from bench.fuzz.campaign.looks import Looks
    from bench.fuzz.cases import Case
    from bench.fuzz.corpus import Corpus, Kept
    from bench.fuzz.oracles import Breach

_MOST_TRIES = 60
"""Of a case that hardly ever failed; more would take the time of new ones."""

_LEAST_RATE = 0.05


def replay_first(
    corpus: Corpus, named: Named, looks: Looks, *, certain: bool
) -> dict[str, Any]:
    """Replay the cases of a corpus; those that no longer fail are moved.

    Args:
        corpus: Where they are.
        named: Of what they have to be cases.
        looks: Tries them, and takes those that fail for findings.
        certain: Whether every run of a case is the same.

    Returns:
        `folder`, `replayed`, `failed`, `mended`, and `faults`, a line each.
    """
    opened = corpus.open(named.digest)
    faults = [str(fault) for fault in opened.faults]
    counts = {"replayed": 0, "failed": 0, "mended": 0}
    for path, kept in opened.cases:
        try:
            case = case_kept(kept, looks.attacks, str(path))
            breach, rate = replayed(looks, case, kept, certain=certain)
            counts["replayed"] += 1
            if breach is None:
                counts["mended"] += 1
                corpus.mend(path)
                continue
        except UsageError as error:
            faults.append(str(error.fault))
            continue
        counts["failed"] += 1
        take(looks, (case, path), breach, rate)
    return {"folder": str(corpus.folder), "faults": faults, **counts}


def tries_of(kept: Kept, *, certain: bool) -> int:
    """How often a case has to be shown not to fail before it is believed.

    As often as leaves no more doubt than one in twenty, given how often it failed.
    """
    if certain:
        return 1
    least = min(0.99, max(_LEAST_RATE, kept.rate.least()))
    return min(_MOST_TRIES, packets_needed(least, 0.95))


def replayed(
    looks: Looks, case: Case, kept: Kept, *, certain: bool
) -> tuple[Breach | None, Rate]:
    """What a case breaks, and how often it was tried."""
    most = tries_of(kept, certain=certain)
    for count in range(1, most + 1):
        found = looks.trying(case)
        same = [breach for breach in found if breach.oracle == kept.oracle]
        if found:
            return (same or found)[0], Rate(1, count)
    return None, Rate(0, most)


def take(looks: Looks, at: tuple[Case, Path], breach: Breach, rate: Rate) -> None:
    """A case of the corpus that fails still is a finding as it is."""
    case, path = at
    why = "known from the corpus"
    shrunk = Shrunk(case, breach, rate, rate, rate.tries, 0, why)
    looks.taken(breach.oracle, case, shrunk)["case"] = str(path)
