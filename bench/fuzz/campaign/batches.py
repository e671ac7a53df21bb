"""A block of cases on simulated nodes; its record."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from bench.base.columns import Drop
from bench.fuzz.attacks.kinds import KINDS
from bench.fuzz.batch import Batch
from bench.fuzz.campaign.finding import attacks_of, case_dict
from bench.fuzz.campaign.tally import CASES, FOUND, take_example

if TYPE_CHECKING:
    from bench.fuzz.batch import Ran
    from bench.fuzz.campaign.job import FuzzJob
    from bench.node.spec import NodeSpec

MOST_BREACHES = 256
"""A block ends with so many: a node that breaks so often needs no more cases."""


class Player:
    """Plays blocks of one campaign.

    Attributes:
        job: The campaign.
    """

    def __init__(self, job: FuzzJob, spec: NodeSpec | None = None) -> None:
        """Get ready.

        Args:
            job: The campaign.
            spec: The node as it is; as it should be unless stated.
        """
        self.job = job
        self._attacks = job.attacks()
        self._batch = Batch(self._attacks, spec, only=job.only, threads=1)

    def played(self, first: int, count: int) -> dict[str, Any]:
        """The record of a block."""
        seed = self.job.seed
        ran = self._batch.run(seed, first, count, most=MOST_BREACHES)
        return {"first": first, **ran_record(self._batch, ran, seed)}


def ran_record(batch: Batch, ran: Ran, seed: int) -> dict[str, Any]:
    """What came of many cases, as the record of a block; see `tally`."""
    attacks: dict[str, Counter[str]] = {}
    for number, tried in enumerate(ran.tried.tolist()):
        if tried:
            attacks[KINDS[number].name] = Counter({CASES: tried, FOUND: 0})
    least: dict[tuple[str, str], dict[str, Any]] = {}
    for breached in ran.breaches:
        case = batch.case(seed, breached.number)
        names = attacks_of(case)
        whole = {**case_dict(case), "led": breached.led}
        for name in names:
            attacks.setdefault(name, Counter()).update((FOUND, breached.oracle))
            take_example(least, (breached.oracle, name), names, whole)
    pitch = batch.attacks.ground.profile.bus.pitch
    return {
        CASES: ran.cases,
        FOUND: len(ran.breaches),
        "attacks": {name: dict(counts) for name, counts in sorted(attacks.items())},
        "examples": list(least.values()),
        "passed": _named(ran.passed.tolist()),
        "seen": _seen(ran),
        "trial_ns": pitch.at(ran.characters),
        "characters": ran.characters,
    }


def _named(counts: list[int]) -> dict[str, int]:
    """Counts by the name of an attack."""
    return {KINDS[number].name: n for number, n in enumerate(counts) if n}


def _seen(ran: Ran) -> dict[str, int]:
    """What receivers made of what looked like a packet, by a word for it."""
    counts = ran.seen.tolist()
    words = {0: "taken"} | {int(one): _word(one) for one in Drop}
    return {word: counts[number] for number, word in words.items() if counts[number]}


def _word(drop: Drop) -> str:
    return drop.name.lower().replace("_", "-")
