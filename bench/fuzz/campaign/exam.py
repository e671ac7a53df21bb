"""The exam of the bench itself: one bad node, how it is found, and by how little.

A good node is examined the same way, and nothing may be found there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

from bench.fuzz.attacks import Attacks
from bench.fuzz.batch import Batch
from bench.fuzz.campaign.finding import case_dict
from bench.fuzz.campaign.looks import Looks, on_fresh
from bench.fuzz.campaign.tally import Example
from bench.fuzz.zoo import bad_nodes
from bench.fuzz.zoo.boards import BOARDS, board
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from collections.abc import Mapping

    from bench.base.clock import Clock
    from bench.fuzz.batch import Breached
    from bench.fuzz.zoo import BadNode
    from bench.trial.sweep.point import Task

_FIRST = 256
"""Cases of the first stretch; each next one is four times as long."""


_MORE, _MORE_BREACHES, _MORE_LOOKS = 8192, 64, 8
"""Cases that are tried for a smaller one, breaches that end them, and how many of those
are looked into."""

_NEVER = 1 << 20


@dataclass(frozen=True)
class ZooJob:
    """What all examinations have in common.

    Attributes:
        template: The profile that bad nodes are made from; each one's own board unless
            there is one.
        seed: What is drawn depends on it.
        most: Cases after which a bad node counts as not found.
        good: Cases on each good node.
    """

    template: Template | None
    seed: int
    most: int
    good: int

    def as_dict(self) -> dict[str, Any]:
        """As strict JSON; see `zoo_of`."""
        tables = None if self.template is None else self.template.tables
        limits = {"seed": self.seed, "most": self.most, "good": self.good}
        return {"tables": tables, **limits}

    def bad(self) -> tuple[BadNode, ...]:
        """All bad nodes."""
        return bad_nodes(None if self.template is None else self.template.profile())

    def good_nodes(self) -> tuple[str, ...]:
        """Names of the good ones."""
        return tuple(BOARDS) if self.template is None else ("the good node",)


def zoo_of(given: Mapping[str, Any]) -> ZooJob:
    """What `ZooJob.as_dict` wrote."""
    template = None if given["tables"] is None else Template(given["tables"])
    return ZooJob(template, given["seed"], given["most"], given["good"])


def examined(job: ZooJob, task: Task, clock: Clock) -> dict[str, Any]:
    """The record of one node.

    Args:
        job: What all examinations have in common.
        task: Its values are whether the node is bad, and its name.
        clock: The bench's clock.
    """
    kind, name = task.values
    record = _bad(job, name, clock) if kind == "bad" else _good(job, name)
    return {"index": task.index, **record}


def _good(job: ZooJob, name: str) -> dict[str, Any]:
    """Whether anything is found in a good node."""
    profile = board(name) if job.template is None else job.template.profile()
    batch = Batch(Attacks(profile), threads=1)
    breached, cases = _first_breach(batch, job.seed, job.good)
    text = None if breached is None else f"{breached.oracle}, case {breached.number}"
    return {"name": name, "kind": "good", "cases": cases, "found": text}


def _bad(job: ZooJob, name: str, clock: Clock) -> dict[str, Any]:
    """How a bad node is found."""
    node = next(bad for bad in job.bad() if bad.name == name)
    batch = node.batch(_attacks_on(node), threads=1)
    breached, cases = _first_breach(batch, job.seed, job.most)
    record: dict[str, Any] = {
        "name": name,
        "kind": node.kind,
        "sentence": node.sentence,
        "found": breached is not None,
        "by": None,
        "oracle": None,
        "cases": cases,
        "smallest": None,
        "known": node.smallest,
        "finding": None,
    }
    if breached is None:
        return record
    finding = _smallest(batch, node, (job.seed, clock), breached)
    return record | {
        "by": finding["attack"],
        "oracle": finding["oracle"],
        "smallest": len(finding["rows"]) if finding["failed"] else None,
        "finding": finding,
    }


def _smallest(
    batch: Batch, node: BadNode, by: tuple[int, Clock], breached: Breached
) -> dict[str, Any]:
    """The first finding, or a smaller one where that needs more than one row.

    A case may be as small as it can be made and yet another one do with less, so some
    more that break something are looked into, those with the fewest rows first.
    """
    seed, clock = by
    looks = Looks(
        batch.attacks,
        on_fresh(batch.attacks, node.make_link),
        clock,
        certain=True,
        stop=lambda: None,
    )
    best = looks.into(_example(batch, seed, breached))
    if _size(best) <= 1:
        return best
    ran = batch.run(seed, breached.number + 1, _MORE, most=_MORE_BREACHES)
    others = [_example(batch, seed, one) for one in ran.breaches]
    others.sort(key=lambda one: one.rows)
    for example in others[:_MORE_LOOKS]:
        best = min(best, looks.into(example), key=_size)
        if _size(best) <= 1:
            break
    return best


def _size(finding: Mapping[str, Any]) -> int:
    """Rows of a finding; very many if it was not seen again."""
    return len(finding["rows"]) if finding["failed"] else _NEVER


def _example(batch: Batch, seed: int, breached: Breached) -> Example:
    """A case that broke something in a batch."""
    case = {**case_dict(batch.case(seed, breached.number)), "led": breached.led}
    return Example(breached.oracle, (), case)


def _first_breach(batch: Batch, seed: int, most: int) -> tuple[Breached | None, int]:
    """The first case that breaks anything, and how many it took."""
    first, count = 0, _FIRST
    while first < most:
        count = min(count, most - first)
        ran = batch.run(seed, first, count, most=1)
        if ran.breaches:
            return ran.breaches[0], ran.breaches[0].number + 1
        first, count = first + count, 4 * count
    return None, most


@cache
def _attacks_of(name: str) -> Attacks:
    return Attacks(board(name))


def _attacks_on(node: BadNode) -> Attacks:
    """The attacks on a node; made once for all that are of one board."""
    for name in BOARDS:
        if node.profile is board(name):
            return _attacks_of(name)
    return node.attacks()
