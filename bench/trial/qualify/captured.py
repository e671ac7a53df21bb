"""A capture of the bus: what the line really did, and whether a run held its spacing.

What a sender's driver says is hearsay; a capture of the line shows the real bit time,
each character's place, and every rest.  Held against what a run's schedule put on the
line it grades the spacing: *proven* if every character of the schedule is there, in
order, and the line never rested where the schedule does not; *bounded* by the rests
that are there; *unproven* if the capture does not show the whole of that run.

Everything is by the capture's own clock, whose error nobody here knows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from bench.base.units import format_count, format_ns, format_rate, format_share

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from bench.base.columns import Line, Rows, Sent
    from bench.base.grid import Grid
    from bench.capture.line import Captured

_KEY_OCTETS = 64
"""As many of a schedule's first octets are looked for; they hold an address, a check
and some payload, and so occur once."""

_TAKE_OCTETS = 1 << 16

CLOCK = "all times are by the clock of the capture, whose own error is not observable"


class Lines(Protocol):
    """What a schedule puts on the line, chunk by chunk."""

    def take(self, most_octets: int) -> tuple[Line, Sent] | None:
        """See `bench.trial.source.Source`."""
        ...


def capture_figures(captured: Captured) -> dict[str, Any]:
    """What was on the line, as strict JSON; None for what a capture cannot tell."""
    rests = captured.rests_ns()
    starts = np.frombuffer(captured.starts_ns, np.int64)
    span_ns = None
    if starts.size:
        span_ns = float(starts[-1] - starts[0]) + captured.character_ns
    resting = rests[rests > 0]
    bit = captured.bit
    baud = None
    if bit.value_ns is not None and bit.error is not None:
        rate = 1e9 / bit.value_ns
        baud = {"baud": rate, "plus_minus": rate * bit.error}
    return {
        "characters": int(starts.size),
        "breaks": len(captured.breaks_at),
        "flawed": captured.flawed,
        "span_ns": span_ns,
        "baud": baud,
        "character_ns": captured.character_ns if baud else None,
        "pitch_ns": _quantiles(np.diff(starts)),
        "rests": int(resting.size),
        "rest_ns": float(resting.sum()),
        "longest_rest_ns": float(resting.max()) if resting.size else 0.0,
        "idle_share": float(resting.sum()) / span_ns if span_ns else None,
        "chunks": _quantiles(_chunks(rests)) if starts.size else None,
    }


@dataclass(frozen=True, slots=True)
class Held:
    """How well a run held its spacing, by a capture.

    Attributes:
        grade: "proven", "bounded" or "unproven".
        why: One sentence.
        figures: As strict JSON.
    """

    grade: str
    why: str
    figures: dict[str, Any]


def held_by(captured: Captured, source: Lines, pitch: Grid) -> Held:
    """Hold a capture against what a schedule puts on the line.

    Args:
        captured: The line.
        source: The schedule, from its beginning.
        pitch: From one start bit to the next within a run of the schedule.
    """
    starts = np.frombuffer(captured.starts_ns, np.int64)
    before_ns = np.concatenate([np.zeros(1), captured.rests_ns()])
    octets = bytes(captured.octets)
    place = -1
    want = same = 0
    inside: list[NDArray[np.float64]] = []
    late: list[NDArray[np.float64]] = []
    for line, begins in _lines(source, pitch):
        sent = line.octets.tobytes()
        if place < 0:
            place = octets.find(sent[:_KEY_OCTETS])
            if place < 0:
                return Held("unproven", "the capture does not show this run", {})
        want += len(sent)
        got = octets[place : place + len(sent)]
        same += _agree(sent, got)
        if got != sent:
            break
        rests = before_ns[place : place + len(sent)].copy()
        rests[begins["first"]] = 0  # there the plan rests
        inside.append(rests[rests > 0])
        late.append(
            (starts[place + begins["first"]] - begins["start_ns"]).astype(float)
        )
        place += len(sent)
    return _graded(captured, (want, same), inside, late)


def _graded(
    captured: Captured,
    counts: tuple[int, int],
    inside: list[NDArray[np.float64]],
    late: list[NDArray[np.float64]],
) -> Held:
    """The grade, from what was found; counts of all characters, and of those alike."""
    want, same = counts
    resting = np.concatenate([np.empty(0), *inside])
    placed = np.concatenate([np.empty(0), *late])
    figures = {
        "scheduled": want,
        "as_scheduled": same,
        "rests_inside": int(resting.size),
        "rest_inside_ns": float(resting.sum()),
        "longest_inside_ns": float(resting.max()) if resting.size else 0.0,
        "runs_placed_ns": _quantiles(placed - placed.min()) if placed.size else None,
    }
    if not want or same < want:
        seen = f"{format_count(same)} of {format_count(want)} characters as scheduled"
        return Held("unproven", f"{seen}, then something else", figures)
    all_ = f"all {format_count(want)} characters are there"
    if not resting.size:
        longest = format_ns(captured.bit_ns / 2, 3)
        why = (
            f"a capture shows it: {all_}, and no rest of {longest} or more inside runs"
        )
        return Held("proven", why, figures)
    share = resting.sum() / (captured.character_ns * want + resting.sum())
    times = _times(resting.size)
    why = (
        f"a capture shows it: {all_}, and the line rested {times} inside runs, "
        f"{format_ns(resting.sum(), 3)} in all, {format_ns(resting.max(), 3)} at "
        f"most, {format_share(float(share), 2)} of the time"
    )
    return Held("bounded", why, figures)


def captured_verdict(
    figures: Mapping[str, Any], held: Held | None = None
) -> tuple[str, str]:
    """The verdict on a capture, and one sentence.

    Args:
        figures: What was on the line.
        held: How a run held its spacing, if one was held against it.
    """
    if not figures["characters"]:
        return "VOID", "the capture shows no character on this signal"
    if held is not None:
        words = {"proven": "PASS", "bounded": "FAIL", "unproven": "VOID"}
        return words[held.grade], f"spacing {held.grade}: {held.why}"
    count, flawed = figures["characters"], figures["flawed"]
    if flawed:
        return "FAIL", (
            f"{format_count(flawed)} of {format_count(count)} characters have "
            "something wrong: look at baud, format and polarity"
        )
    return "PASS", f"{format_count(count)} characters on the line, none of them flawed"


def captured_says(figures: Mapping[str, Any], wanted_baud: int) -> list[str]:
    """What a capture shows of a rig, in sentences."""
    if not figures["characters"]:
        return ["the capture shows no character on this signal"]
    said = []
    if baud := figures["baud"]:
        off = baud["baud"] / wanted_baud - 1
        said.append(
            f"the real baud is {format_rate(baud['baud'], 'baud', 6)} "
            f"± {format_rate(baud['plus_minus'], 'baud', 2)} ({100 * off:+.3f} %)"
        )
    count = format_count(figures["characters"])
    if figures["rests"]:
        sizes = figures["chunks"]
        said.append(
            f"the line rested {_times(figures['rests'])} between {count} "
            f"characters, {format_ns(figures['longest_rest_ns'], 3)} at most, "
            f"{format_share(figures['idle_share'], 2)} of the time; characters came "
            f"in portions of {format_count(sizes['p50'])}, {format_count(sizes['max'])}"
            " at most"
        )
    else:
        said.append(f"the line never rested between {count} characters")
    if figures["flawed"]:
        flawed = format_count(figures["flawed"])
        said.append(f"{flawed} characters have something wrong: is the baud right?")
    return [*said, CLOCK]


def _times(count: int) -> str:
    return "once" if count == 1 else f"{format_count(count)} times"


def _lines(source: Lines, pitch: Grid) -> Iterator[tuple[Line, Rows]]:
    """Chunks that hold characters, and the runs that begin in each."""
    due: tuple[int, int] | None = None
    while (chunk := source.take(_TAKE_OCTETS)) is not None:
        line = chunk[0]
        if not len(line.octets):
            continue
        runs = line.runs
        first = runs[0]
        goes_on = due == (int(first["start_ns"]), int(first["start_rem"]))
        last = runs[-1]
        count = len(line.octets) - int(last["first"])
        due = pitch.after(count, int(last["start_ns"]), int(last["start_rem"]))
        yield line, runs[1:] if goes_on else runs


def _agree(one: bytes, other: bytes) -> int:
    """How many octets agree from the beginning."""
    if one == other:
        return len(one)
    size = min(len(one), len(other))
    differ = np.frombuffer(one[:size], np.uint8) != np.frombuffer(
        other[:size], np.uint8
    )
    return int(np.argmax(differ)) if differ.any() else size


def _chunks(rests: NDArray[np.float64]) -> NDArray[np.int64]:
    """How many characters came between rests."""
    ends = np.flatnonzero(rests) + 1
    return np.diff(np.concatenate([[0], ends, [rests.size + 1]]))


def _quantiles(values: NDArray[Any]) -> dict[str, float] | None:
    """Nearest-rank quantiles; None of nothing."""
    if not values.size:
        return None
    ordered = np.sort(values)
    ranks = {"p1": 1, "p50": 50, "p99": 99}
    found = {
        name: float(ordered[-(-ordered.size * rank // 100) - 1])
        for name, rank in ranks.items()
    }
    return {"least": float(ordered[0]), **found, "max": float(ordered[-1])}
