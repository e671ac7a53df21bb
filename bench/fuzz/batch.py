"""Very many cases on the simulated node: batch after batch, the same every time.

A batch is some cases one after another on one line, for a node that was at rest
before; how many depends on the profile alone.  Every case begins and ends with the node
at rest, so what breaks an oracle is put down to the case in whose time it happened.
That case is then tried by itself; where it breaks nothing alone, what led up to it is
needed.

A result depends on the profile, the seed and the case's number, and not on how many
cases were asked for at once, or on how many cores there are.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.fuzz.oracles import ORACLES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from bench.fuzz.attacks import Attacks
    from bench.fuzz.cases import Case
    from bench.node.spec import NodeSpec

__all__ = ["Batch", "Breached", "Ran"]

_CHARACTERS = 1 << 17
"""Characters of a batch, about: few enough to stay in a near cache."""

_MOST_CASES, _LEAST_CASES = 2048, 8
"""Cases of a batch."""

_STRETCH, _LONGER = 32, 4
"""Cases that are tried after a breach, and how many times more after that."""

_NAMES = tuple(ORACLES)


@dataclass(frozen=True, slots=True)
class Breached:
    """A case that broke an oracle in a batch.

    Attributes:
        number: Its number.
        oracle: The oracle that it broke first.
        led: Number of the first case of its batch: what led up to it.
        alone: Whether it breaks one by itself, on a node at rest.
    """

    number: int
    oracle: str
    led: int
    alone: bool = True


@dataclass(frozen=True, slots=True)
class Ran:
    """What came of many cases.

    Attributes:
        cases: How many were tried.
        breaches: Those that broke an oracle, in order.
        tried: Rows of each attack, by number of the kind.
        passed: Damaged packets of each that a receiver following the profile takes for
            sound: errors that the check cannot detect.
        seen: What receivers made of packets: how many were taken, and how many refused
            for each reason (`Drop`).
        turns: int64 (16, 16): the same by what became of the packet before.
        characters: How many were on the line.
    """

    cases: int = 0
    breaches: tuple[Breached, ...] = ()
    tried: NDArray[np.int64] = field(default_factory=lambda: np.zeros(64, np.int64))
    passed: NDArray[np.int64] = field(default_factory=lambda: np.zeros(64, np.int64))
    seen: NDArray[np.int64] = field(default_factory=lambda: np.zeros(31, np.int64))
    turns: NDArray[np.int64] = field(default_factory=lambda: np.zeros((16, 16), int))
    characters: int = 0

    def __add__(self, other: Ran) -> Ran:
        return Ran(
            self.cases + other.cases,
            self.breaches + other.breaches,
            self.tried + other.tried,
            self.passed + other.passed,
            self.seen + other.seen,
            self.turns + other.turns,
            self.characters + other.characters,
        )


class Batch:
    """Plays batches of cases on one simulated node."""

    def __init__(
        self,
        attacks: Attacks,
        spec: NodeSpec | None = None,
        *,
        only: Sequence[str] = (),
        threads: int | None = None,
    ) -> None:
        """Prepare.

        Args:
            attacks: The attacks, and the node as it should be.
            spec: The node as it is; as it should be unless stated.
            only: Names of the attacks that are drawn; all unless stated.
            threads: Cores; all there are unless stated.
        """
        self.attacks = attacks
        self.spec = attacks.ground.spec if spec is None else spec
        self._only = tuple(only)
        self._threads = threads or os.cpu_count() or 1
        ground = attacks.ground
        size = 2 * ground.packet_octets + ground.recover
        self.size = max(_LEAST_CASES, min(_MOST_CASES, _CHARACTERS // size))
        self._tables: list[Any] = []

    # --- run

    def run(self, seed: int, first: int, count: int, *, most: int = 32) -> Ran:
        """Try cases first, first + 1, … of a campaign.

        Args:
            seed: Of the campaign.
            first: Number of the first.
            count: How many.
            most: Breaches after which a batch is not gone on with, and none is begun.
        """
        spans = list(self._spans(first, count))
        if self._threads == 1 or len(spans) == 1:
            return self._one_after_another(seed, spans, most)
        return self._side_by_side(seed, spans, most)

    def _spans(self, first: int, count: int) -> Iterator[tuple[int, int, int]]:
        """Batches: where each begins, and which of its cases are asked for."""
        end = first + count
        for begin in range(first - first % self.size, end, self.size):
            yield begin, max(first, begin), min(end, begin + self.size)

    def _one_after_another(
        self, seed: int, spans: list[tuple[int, int, int]], most: int
    ) -> Ran:
        table = self._table(seed)
        ran = Ran()
        for span in spans:
            ran += table.play(span, most)
            if len(ran.breaches) >= most:
                break
        self._tables.append((seed, table))
        return ran

    def _side_by_side(
        self, seed: int, spans: list[tuple[int, int, int]], most: int
    ) -> Ran:
        """The same on several cores: results are joined in the order of the batches."""
        tables = [self._table(seed) for _ in range(self._threads)]
        ran, stopped = Ran(), False

        def work(number: int) -> list[Ran]:
            parts = []
            for span in spans[number :: self._threads]:
                if stopped:
                    break
                parts.append(tables[number].play(span, most))
                if len(parts[-1].breaches) >= most:
                    break
            return parts

        with ThreadPoolExecutor(self._threads, "fuzz") as pool:
            parts = list(pool.map(work, range(self._threads)))
        for index in range(len(spans)):
            mine = parts[index % self._threads]
            place = index // self._threads
            if place >= len(mine):
                break
            ran += mine[place]
            if len(ran.breaches) >= most:
                break
        self._tables += [(seed, table) for table in tables]
        return ran

    def _table(self, seed: int) -> _Table:
        """Memory for playing, used before or new."""
        for index, (known, table) in enumerate(self._tables):
            if known == seed:
                del self._tables[index]
                return table  # type: ignore[no-any-return]
        return _Table(self.attacks, self.spec, seed, self._only, self.size)

    # --- one case

    def case(self, seed: int, number: int) -> Case:
        """One case of a campaign by itself."""
        return self.attacks.draw(seed, number, 1, only=self._only)[0]

    def led_by(self, seed: int, breached: Breached) -> list[Case]:
        """The cases of the batch up to one that broke an oracle."""
        count = breached.number - breached.led + 1
        cases = self.attacks.draw(seed, breached.led, count, only=self._only)
        return [replace(case, before=0) for case in cases]


class _Table:
    """One thread's memory: a line, a node, a referee."""

    def __init__(
        self,
        attacks: Attacks,
        spec: NodeSpec,
        seed: int,
        only: Sequence[str],
        size: int,
    ) -> None:
        from bench.fuzz.attacks.bench import Bench
        from bench.fuzz.oracles.many import Many
        from bench.node.simulated import SimulatedNode

        self._attacks = attacks
        self._spec = spec
        self._seed = seed
        self._only = only
        self._size = size
        self._bench = Bench(attacks.ground, seed)
        self._many = Many(attacks.ground)
        self._node = SimulatedNode(spec, seed=seed)

    def play(self, span: tuple[int, int, int], most: int) -> Ran:
        """One batch, up to so many breaches; what is told is of the cases asked for.

        After a breach the rest of the batch is played by a node that is at rest, at
        first in short stretches: a node that breaks once often breaks again.
        """
        begin, first, end = span
        cases, rows = self._attacks.columns(
            self._seed, begin, end - begin, only=self._only
        )
        breaches: list[Breached] = []
        told = Ran()
        at, stretch = 0, len(cases)
        while at < len(cases) and len(breaches) < most:
            part = cases[at : at + stretch].copy()
            part["before"] = 0
            part["before"][0] = 1 if at else 0
            self._bench.lay(part, rows, 0)
            breach, ran = self._judged(part)
            told += ran
            if breach is None:
                at, stretch = at + len(part), _LONGER * stretch
                continue
            number = begin + at + breach[0]
            if number >= first:
                breaches.append(self._alone(number, breach[1], begin + at))
            at, stretch = at + breach[0] + 1, _STRETCH
        tried = cases[first - begin : at]
        used = rows[: 0 if not len(tried) else _end_of(tried)]
        used = used[int(tried["first"][0]) :] if len(tried) else used
        counts = np.bincount(used[:, 0], minlength=64)
        return replace(told, cases=len(tried), breaches=tuple(breaches), tried=counts)

    def _alone(self, number: int, oracle: str, led: int) -> Breached:
        """What a case breaks by itself; what it broke in its batch if nothing."""
        from bench.fuzz.cases import try_case
        from bench.node.link import SimulatedLink
        from bench.node.spec import node_specs

        attacks = self._attacks
        profile, index = attacks.ground.profile, attacks.ground.node
        case = attacks.draw(self._seed, number, 1, only=self._only)[0]
        specs = node_specs(profile)
        specs[index] = self._spec
        with SimulatedLink(profile, seed=self._seed, threads=1, specs=specs) as link:
            found = try_case(case, attacks, link)
        named = {breach.oracle for breach in found}
        if not named or oracle in named:
            return Breached(number, oracle, led, bool(named))
        return Breached(number, found[0].oracle, led)

    def _judged(self, cases: NDArray[Any]) -> tuple[tuple[int, str] | None, Ran]:
        """Play what was laid; the first case that broke an oracle, and which."""
        bench, node = self._bench, self._node
        node.renew()
        out, state = bench.out, bench.state[0]
        line = bench.line()
        resets = out.resets[: state["resets"]]
        played = []
        if len(resets):
            ns = bench.plan[0]["num"], bench.plan[0]["den"]
            for chunk, at_ns in _chunks(line, resets, ns):
                played.append(node.play(chunk))
                if at_ns is not None:
                    played.append(node.reset(at_ns))
        else:
            played.append(node.play(line))
        told, found, count, seen = self._many.judge(bench, played)
        ran = Ran(
            seen=seen[:31],
            turns=seen[32:].reshape(16, 16),
            passed=_passed(out, state, found, count),
            characters=int(state["octets"]),
        )
        if not len(told):
            return None, ran
        laid = out.laid[: len(cases)]
        places = np.searchsorted(laid["start_ns"], told["ns"], "right") - 1
        case = max(0, int(places.min()))
        weights = told[places == places.min()]
        first = weights[np.argmin(weights["oracle"])]
        name = _NAMES[int(first["oracle"])]
        if name == "recovery" and first["ns"] > laid[case]["last_ns"]:
            name = "alive"
        return (case, name), ran


def _end_of(cases: NDArray[Any]) -> int:
    """One past the last row of some cases."""
    return int(cases["first"][-1] + cases["rows"][-1])


def _chunks(line: Any, resets: Any, grid: tuple[int, int]) -> Any:
    """The line in chunks that end at resets."""
    from bench.base.columns import FLAW, RUN, Line

    num, den = int(grid[0]), int(grid[1])
    firsts = line.runs["first"]
    bounds = [(int(place), int(ns)) for place, ns in resets]
    first = 0
    for end, at_ns in [*bounds, (len(line.octets), None)]:
        if end > first:
            low = int(np.searchsorted(firsts, first, "right")) - 1
            high = int(np.searchsorted(firsts, end))
            runs = line.runs[low:high].astype(RUN)
            steps = first - int(runs[0]["first"])
            carry, rem = divmod(int(runs[0]["start_rem"]) + steps * num, den)
            start_ns = int(runs[0]["start_ns"]) + carry
            runs["first"] -= first
            runs[0] = (0, start_ns, rem)
        else:
            runs = np.zeros(0, RUN)
        low, high = np.searchsorted(line.flaws["at"], (first, end))
        flaws = line.flaws[low:high].astype(FLAW)
        flaws["at"] -= first
        until_ns = line.until_ns if at_ns is None else at_ns
        yield Line(line.octets[first:end], runs, flaws, first, until_ns), at_ns
        first = end


def _passed(out: Any, state: Any, found: Any, count: int) -> NDArray[np.int64]:
    """Damaged packets that were found sound, by attack."""
    sent = out.sent[: state["sent"]]
    damaged = np.flatnonzero(sent["sound"] == 0)
    begins = np.ascontiguousarray(found["first"][:count])
    firsts = sent["first"][damaged]
    if not count:
        return np.zeros(64, np.int64)
    places = np.minimum(np.searchsorted(begins, firsts), count - 1)
    passed = damaged[begins[places] == firsts]
    return np.bincount(sent["kind"][passed], minlength=64)
