"""Edges from Python; see the package."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.api import StreamResult, refuse_number
from bench.api_search.before import command_beside
from bench.api_search.kept import (
    MOST_SEED,
    Around,
    Run,
    before_of,
    clocked_of,
    duration_ns_of,
    limits_of,
    rehearsed,
    template_of,
    way_of,
)
from bench.api_search.workers import cores
from bench.base.errors import Fault, LedgerError, UsageError
from bench.base.units import shown
from bench.report.edge import edge_page
from bench.trial.edge import methods, result
from bench.trial.edge.ask import is_window, quest_of
from bench.trial.edge.boards import Boards
from bench.trial.edge.closed import with_budget
from bench.trial.edge.find import NoChange, find
from bench.trial.edge.probe import (
    DECIDE_NS,
    REPEATS,
    Lengths,
    Prober,
    Silent,
    Stopped,
    search_ns_of,
    what_is_drawn,
)
from bench.trial.edge.window import Windows
from bench.trial.runner import Progress
from bench.trial.sweep.hands import InTurn, Threads
from bench.trial.sweep.point import SIMULATED, Job

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from bench.profile import Profile
    from bench.trial.edge.find import Quest
    from bench.trial.edge.probe import Tried
    from bench.trial.sweep.hands import Hands
    from bench.trial.sweep.point import MakeLink
    from bench.trial.sweep.template import Template

_REPEATS_MOST = 1000


@dataclass(frozen=True, slots=True)
class EdgeResult(StreamResult):
    """How a search ended; as for a stream, and `figures` has the edge."""


def edge(
    profile: str | Path | Profile,
    vary: str | None = None,
    start: str | None = None,
    end: str | None = None,
    *,
    method: str | None = None,
    overrides: Sequence[str] = (),
    to_within: str | None = None,
    scale: str | None = None,
    repeats: int | None = None,
    packets: int | None = None,
    duration: str | int | None = None,
    seed: int = 0,
    jobs: int | None = None,
    make_link: MakeLink | None = None,
    allowed: Sequence[str] = (),
    before: str | None = None,
    before_packet: bytes = b"",
    reset: str | None = None,
    **around: Any,
) -> EdgeResult:
    """Find the last good and the first bad value of one thing, and why.

    Args:
        profile: As for `sweep`.
        vary: What is varied, by its dotted path or the name of an axis.
        start: One end, as the profile writes it.
        end: The other; one of the two has to work, and the other not.
        method: Instead: "throughput", "loss-steps", "recovery" or "reset" (RFC 2544).
        overrides: As for `sweep`.
        to_within: How close: "1%", or a quantity of the same kind.
        scale: "log" or "linear"; log wherever it can be unless stated.
        repeats: Trials of each value; three where something is drawn, or where boards
            are real.
        packets: As for `sweep`.
        duration: How long the trials of a value are together that decide: 60 s.
        seed: What draws depend on; repeats take the seeds after it.
        jobs: Trials of one value that run side by side.
        make_link: As for `sweep`.
        allowed: Likewise.
        before: Likewise.
        before_packet: Likewise.
        reset: A command that resets boards, for the method of that name.
        **around: Likewise.

    Raises:
        UsageError: If there is no such axis or method, or nothing between the ends.
        BenchError: As `sweep`.
    """
    refuse_number("seed", seed, MOST_SEED)
    if method is not None:
        overrides = [*overrides, *methods.LOSS_ONLY]
    template = template_of(profile, overrides)
    rates = None
    if method is not None:
        rates = _rates(method, template, vary)
        vary, start, end = methods.RATE, "1 Hz", f"{rates.most} Hz"
        to_within, scale = to_within or "1 Hz", scale or "linear"
    elif vary is None:
        named = ", ".join(methods.METHODS)
        what = "nothing is varied"
        fault = Fault(what, "", f"something to vary, or a method: {named}", "--vary")
        raise UsageError(fault)
    quest = quest_of(template, vary, (start, end), to_within, scale)
    place = Around(**around)
    begin = _resetting(method, reset, real=make_link is not None)
    clocked = clocked_of([quest.name], before)
    way, link = way_of(template, seed, make_link, allowed, clocked)
    drawn = what_is_drawn(template.profile())
    if way.real:
        drawn.append("what boards do")
    if repeats is None:
        repeats = REPEATS if drawn and not is_window(quest) else 1
    if not 1 <= repeats <= _REPEATS_MOST:
        expected = f"1 to {_REPEATS_MOST}"
        raise UsageError(Fault("out of range", shown(repeats), expected, "--repeat"))
    lengths = _lengths(template, packets, duration)
    known = {
        "link": link,
        "method": method,
        "vary": vary,
        "from": quest.scale.text(quest.start),
        "to": quest.scale.text(quest.end),
        "within": quest.within.text(quest.scale),
        "scale": "log" if quest.log else "linear",
        "repeats": repeats,
        "drawn": drawn,
        "search_ns": lengths.search_ns,
        "decide_ns": lengths.decide_ns,
        "before": before,
        "reset": reset,
    }
    seeds = [(seed + k) % 2**64 for k in range(repeats)]
    first = before_of(before, before_packet, (vary,))
    boards = None
    if way.real:
        boards = Boards(way, place.clock, begin, first.command)
    asked = _Asked(template, quest, method, rates, lengths, seeds, boards)
    hands: Hands = InTurn(way, clock=place.clock, before=first)
    if way is SIMULATED and not before and not before_packet:
        hands = Threads(jobs or cores())
    return _Edge(asked, hands, place, known).begun()


# --- what is asked for ----------------------------------------------------------------


def _lengths(
    template: Template, packets: int | None, duration: str | int | None
) -> Lengths:
    """How long the trials of a search are."""
    packets, _ = limits_of(template, packets, None)
    decide_ns = DECIDE_NS if duration is None else duration_ns_of(duration)
    search_ns = search_ns_of(template.profile())
    return Lengths(min(search_ns, decide_ns), decide_ns, packets)


def _rates(method: str, template: Template, vary: str | None) -> methods.Rates:
    """The rates that a method is about.

    Raises:
        UsageError: If there is no such method, or something else is varied.
    """
    if method not in methods.METHODS:
        known = ", ".join(methods.METHODS)
        raise UsageError(Fault("no such method", shown(method), known, "--method"))
    if vary not in (None, methods.RATE):
        expected = f"nothing, or {methods.RATE}"
        raise UsageError(Fault("a method varies by itself", vary, expected, "--vary"))
    return methods.Rates.of(template)


def _resetting(
    method: str | None, command: str | None, *, real: bool
) -> Callable[[], Callable[[], str | None]] | None:
    """What begins to reset boards.

    Raises:
        UsageError: If boards are to be reset and nothing does it, or the other way
            round.
    """
    if command is None:
        if method == "reset" and real:
            what, mend = "boards have to be reset by something", "--reset COMMAND"
            raise UsageError(Fault(what, where="--method reset", mend=mend))
        return None
    if method != "reset" or not real:
        expected = "--method reset on a real link; the bench resets simulated nodes"
        raise UsageError(Fault("nothing to reset", command, expected, "--reset"))
    return command_beside(command, "--reset", "the command that resets the boards")


@dataclass(frozen=True, slots=True)
class _Asked:
    """A search that was asked for."""

    template: Template
    quest: Quest
    method: str | None
    rates: methods.Rates | None
    lengths: Lengths
    seeds: Sequence[int]
    boards: Boards | None = None


class _Edge(Run):
    """A search for an edge."""

    what = "edge"

    def __init__(
        self, asked: _Asked, hands: Hands, around: Around, known: Mapping[str, Any]
    ) -> None:
        super().__init__(asked.template, asked.seeds[0], around, known)
        self._asked = asked
        axis = asked.quest.name, asked.quest.scale
        self._prober = Prober(
            asked.template, axis, asked.seeds, asked.lengths, hands, self._note
        )
        self._prober.obey(around.stop)
        self._trials = self._trial_ns = self._characters = 0
        self._found: dict[str, Any] = {}

    def begun(self) -> EdgeResult:
        """Look for it."""
        lengths = self._asked.lengths
        with self.create((lengths.packets, lengths.decide_ns)):
            self.kept(self._work)
            return self._written()

    def _work(self) -> None:
        job = Job(self._asked.template, (), None, 1, self.seed)
        try:
            if not rehearsed(job, [()], self.around.stop):
                raise Stopped
            self._found = self._looked()
        except Stopped:
            self._found = result.stopped()
        except Silent as silence:
            self._found = result.silent(str(silence))

    def _looked(self) -> dict[str, Any]:
        """What was asked for."""
        asked, quest, prober = self._asked, self._asked.quest, self._prober
        if asked.rates is not None:
            return self._by_method(asked.rates)
        if is_window(quest):
            return result.windows(quest, Windows(quest, prober).find())
        try:
            found = result.found(quest, find(quest, prober))
        except NoChange as same:
            found = result.unchanged(quest, same)
        return with_budget(asked.template, quest, found)

    def _by_method(self, rates: methods.Rates) -> dict[str, Any]:
        """One of the named methods."""
        from bench.trial.edge.recovery import recovery, resets, resets_by

        asked, prober, boards = self._asked, self._prober, self._asked.boards
        profile, stop = asked.template.profile(), self.around.stop
        most = rates.told(rates.most)
        if asked.method == "reset":
            if boards is None:
                dark = resets(profile, self.seed, stop)
            else:
                lasts_ns = asked.lengths.decide_ns
                dark = resets_by(profile, self.seed, lasts_ns, stop, boards)
            self._trials = sum(one["instants"] for one in dark)
            self._trial_ns = sum(one["trial_ns"] for one in dark)
            return result.reset(dark)
        if asked.method == "loss-steps":
            return result.steps(methods.loss_steps(prober, rates), most)
        best = methods.throughput(asked.quest, prober, rates)
        if asked.method == "throughput":
            return result.throughput(best, most)
        rate = best["throughput"]["frame_rate_hz"] if best["throughput"] else 1
        over, half = methods.overload(rate, rates), max(1, rate // 2)
        profiles = rates.at(over), rates.at(half)
        lengths = asked.lengths.decide_ns, asked.lengths.decide_ns
        made = recovery(profiles, self.seed, lengths, stop, boards)
        self._trials += 1
        self._trial_ns += made["trial_ns"]
        made |= {"overload": rates.told(over), "after": rates.told(half)}
        made |= {"throughput": best["throughput"], "cause": best["cause"]}
        return result.recovered(made)

    def _note(self, tried: Tried) -> None:
        """One more value was tried."""
        self._trials += len(tried.records)
        for record in tried.records:
            self._trial_ns += record.get("trial_ns", 0)
            self._characters += record.get("characters", 0)
        self.ledger.interval({**tried.as_dict(), "records": list(tried.records)})
        counts = {"trials": self._trials, "last": tried.as_dict()}
        spent_ns = self.around.clock.now_ns() - self.began_ns
        self.around.watcher.progress(
            Progress(self._trial_ns, 0.0, spent_ns, self._characters, counts)
        )

    def _written(self) -> EdgeResult:
        """The result, which is in the ledger if it can be."""
        ledger, quest = self.ledger, self._asked.quest
        figures = self._found | {
            word: self.facts[word]
            for word in ("method", "vary", "from", "to", "within", "scale")
        }
        kind = quest.scale.kind
        figures["unit"] = kind.written[-1] if kind is not None else ""
        if kind is not None and quest.scale.is_share:
            figures["unit"] = "share"
        figures["values"] = [tried.as_dict() for tried in self._prober.tried]
        figures |= {
            "trials": self._trials,
            "trial_ns": self._trial_ns,
            "characters": self._characters,
        }
        figures = self.ended(figures)
        with suppress(LedgerError):
            ledger.verdict(EdgeResult(**self.outcome(figures)).as_dict())
        made = EdgeResult(**self.outcome(figures))
        with suppress(LedgerError):
            ledger.report(edge_page(made.as_dict(), self.facts).plain())
        with suppress(LedgerError):
            ledger.close()
        return EdgeResult(**self.outcome(figures))
