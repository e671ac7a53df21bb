"""The page of a finished trial: the verdict first, then what it rests on.

Made from `verdict.json` and `run.json` alone, so that it can be made again from a
ledger.  What was not observable is said to be so, and never shown as zero.
"""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

from bench.base.units import (
    DURATION,
    format_count,
    format_ns,
    format_share,
)
from bench.report.link import link_fields
from bench.report.page import WIDTH, Page, Piece, glued
from bench.report.soak import night_fields
from bench.report.strip import strip

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from bench.report.page import Role

    Content = Mapping[str, Any]

_ROLES: dict[str, Role] = {"PASS": "good", "FAIL": "bad", "VOID": "open"}

_LEAST_LABELS = 16
_MOST_LABELS = 26
"""Columns for labels and the names of nodes; a longer name has a line of its own."""

_NODES_SHOWN = 12
"""Nodes that are listed; of more only those at which something went wrong."""

_CAUSES_SHOWN = 8

_ALWAYS = ("offered", "shown", "lost", "corrupt", "stray", "late")
_IF_ANY = ("repeated", "out_of_order")
_FAULTS = frozenset({"lost", "corrupt", "stray", "late", *_IF_ANY})

_SHOWN_ON = {
    "sync": "nodes show on the sync that follows: times from a packet include the wait",
    "packet or sync": "some nodes show on the sync that follows, and their times from "
    "a packet include the wait; the others show each packet as it comes",
}
"""What has to be said of latency and skew, by how packets are shown."""

UNSEEN = Piece("–", "faint")
"""Not observable, in a table."""


def summary(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The page of one trial.

    Args:
        verdict: What `verdict.json` holds.
        run: What `run.json` holds.
        width: Columns to write for.
    """
    longest = max(len(node["name"]) for node in verdict["nodes"]) + 4
    page = Page(max(_LEAST_LABELS, min(longest, _MOST_LABELS)), width)
    _verdict(page, verdict, run)
    night_fields(page, verdict)
    if verdict["packets"]["offered"]:
        _packets(page, verdict)
        _times(page, verdict)
    _bursts(page, verdict)
    link_fields(page, verdict, run["link"])
    _causes(page, verdict)
    _certainty(page, verdict)
    whereabouts(page, verdict, run)
    return page


def brief(verdict: Content, run: Content, width: int = WIDTH) -> Page:
    """The verdict, where it is kept, and how to do it again."""
    page = Page(_LEAST_LABELS, width)
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    kept(page, verdict, run)
    return page


# --- what it says ---------------------------------------------------------------------


def _verdict(page: Page, verdict: Content, run: Content) -> None:
    """The verdict, the first thing to act on, and what was tried."""
    word = verdict["verdict"]
    page.field(word, verdict["reason"], mark=_ROLES[word])
    others = [*verdict["failures"], *verdict["void"]]
    label = "also"
    for text in others:
        if text != verdict["reason"]:
            page.field(label, text)
            label = ""
    if verdict["signal"]:
        page.field("stopped", _stopped(verdict, run))
    page.blank()
    page.field("trial", _tried(verdict, run))
    if played := run.get("recorded"):
        page.field("recorded", _played(played))


def _played(recorded: Content) -> str:
    """What a recording that was put on the line came to."""
    text = (
        f"{recorded['file']}, {format_count(recorded['characters'])} characters in "
        f"{_length(recorded['length_ns'])}"
    )
    if recorded["behind_ns"]:
        behind = glued(format_ns(recorded["behind_ns"], 2))
        text += f", up to {behind} later than they were heard"
    if torn := recorded["torn"]:
        text += f"; cut off at octet {torn['offset']}: {torn['why']}"
    return text


def _stopped(verdict: Content, run: Content) -> str:
    """By what, and when."""
    lasted = _length(verdict["trial_ns"])
    whole = run.get("duration_ns")
    of = f" of {_length(whole)}" if whole else ""
    return (
        f"by {verdict['signal']} after {lasted}{of} on the line; the verdict is over "
        "what was sent"
    )


def _tried(verdict: Content, run: Content) -> str:
    """What was on the line."""
    line = verdict["line"]
    parts = [run["profile"]]
    if run["point"]:
        parts[0] += " with " + ", ".join(
            f"{path} = {value}" for path, value in sorted(run["point"].items())
        )
    if run.get("line") is not None:
        parts.append(f"{run['line']:02X}h over and over")
    parts.append(f"{_length(verdict['trial_ns'])} on the line")
    parts.append(f"{format_count(line['characters'])} characters")
    if line["offered_load"] is not None:
        parts.append(f"load {glued(format_share(line['offered_load']))}")
    parts += [f"seed {verdict['seed']}", f"link {run['link']}"]
    return ", ".join(parts)


# --- packets --------------------------------------------------------------------------


def _packets(page: Page, verdict: Content) -> None:
    """Counts of packets, node by node."""
    total = verdict["packets"]
    words = [*_ALWAYS, *(word for word in _IF_ANY if total[word])]
    nodes = [node for node in verdict["nodes"] if node["observed"]]
    listed = nodes
    if len(nodes) > _NODES_SHOWN:
        listed = [node for node in nodes if _faulty(node)][:_NODES_SHOWN]
    rows = [
        (f"  {node['name']}", _counts(node["packets"], words, lost_is_all=False))
        for node in listed
    ]
    if len(nodes) != 1:
        rows.append(("  all nodes", _counts(total, words, lost_is_all=True)))
    heads = [word.replace("_", " ") for word in words]
    page.blank()
    page.table("packets", heads, rows)
    if rest := len(nodes) - len(listed):
        alike = all(not _faulty(node) for node in nodes if node not in listed)
        without = " without a fault" if alike else ""
        page.field("", f"{rest} more nodes{without}")
    for note in verdict["notes"]:
        page.field("", note)


def _faulty(node: Content) -> bool:
    """Whether anything went wrong at a node."""
    packets, bursts = node["packets"], node["bursts"]
    odd = [packets[word] for word in _FAULTS] + [
        bursts[word] for word in ("wrong_clocks", "marginal", "short_gaps")
    ]
    return any(odd)


def _counts(
    packets: Content, words: Sequence[str], *, lost_is_all: bool
) -> list[Piece]:
    """The cells of one row."""
    cells = []
    for word in words:
        count = packets[word]
        role: Role = "bad" if count and word in _FAULTS else ""
        if not role and lost_is_all and not count and word in _FAULTS:
            role = "good"
        cells.append(UNSEEN if count is None else Piece(format_count(count), role))
    return cells


def _times(page: Page, verdict: Content) -> None:
    """From the last bit in to the first out and to shown, and how far frames spread."""
    measured = {
        "to first bit": verdict["latency_ns"]["first_bit"],
        "to shown": verdict["latency_ns"]["shown"],
        "from the sync": verdict["latency_ns"].get("after_sync"),
        "frame skew": verdict["skew_ns"],
    }
    kept = {name: times for name, times in measured.items() if times and times["n"]}
    if not kept:
        return
    quantiles = ("p50", "p99", "p99.9", "max")
    page.blank()
    page.table(
        "latency",
        quantiles,
        [
            (f"  {name}", [Piece(format_ns(times[q])) for q in quantiles])
            for name, times in kept.items()
        ],
    )
    if way := _SHOWN_ON.get(verdict.get("shown_on", "packet")):
        page.field("", way)


# --- bursts ---------------------------------------------------------------------------


def _bursts(page: Page, verdict: Content) -> None:
    """Clocks, marginal pulses and gaps; and a strip of one burst if they are wrong."""
    bursts = verdict["bursts"]
    page.blank()
    if bursts["count"] is None:
        return
    if not bursts["count"]:
        page.field("bursts", "none seen")
        return
    parts = [
        _some(bursts["wrong_clocks"], "with a wrong number of clocks"),
        _some(bursts["marginal"], "marginal"),
    ]
    if bursts["least_gap_ns"] is not None:
        parts.append(f"least gap {glued(format_ns(bursts['least_gap_ns']))}")
    if skew := bursts.get("lane_skew_ns"):
        parts.append(f"last lane up to {glued(format_ns(skew))} after the first")
    if dark := verdict.get("blackouts"):
        parts.append(f"{format_count(dark)} of darkness after silence")
    page.field("bursts", f"{format_count(bursts['count'])}: {', '.join(parts)}")
    if bursts["short_gaps"]:
        page.field("", f"{format_count(bursts['short_gaps'])} gaps too short", "bad")
    if dropped := verdict["dropped_frames"]:
        page.field("frames", f"{format_count(dropped)} dropped", "bad")
    if lost := verdict["lost_characters"]:
        page.field("characters", f"{format_count(lost)} lost by receivers", "bad")
    example = verdict["examples"].get("wrong_clocks")
    if example:
        _strip(page, example)


def _some(count: int | None, what: str) -> str:
    """So many of them, or none."""
    if count is None:
        return f"{what}: not observable"
    return f"{format_count(count) if count else 'none'} {what}"


def _strip(page: Page, example: Content) -> None:
    """The clocks of the first wrong burst."""
    intact = bool(example.get("data_intact"))
    counts = example["expected_clocks"], example["clocks"]
    above, below = strip(*counts, intact=intact)
    page.blank()
    page.field(
        "clocks", f"of the first wrong burst, {example['node']} at {_at(example['ns'])}"
    )
    page.row("  expected", above)
    page.row("  seen", below)


def _at(ns: int) -> str:
    """An instant of the trial, to the microsecond."""
    return glued(f"{ns / 1e6:.3f} ms")


# --- causes ---------------------------------------------------------------------------


def _causes(page: Page, verdict: Content) -> None:
    """What went wrong, why, how often, and where first."""
    causes = verdict["causes"]
    if not causes:
        return
    page.blank()
    if first := verdict.get("gives_first"):
        page.field("gives first", first, "bad")
    label = "causes"
    for cause in causes[:_CAUSES_SHOWN]:
        what = cause["what"].replace("_", " ")
        text = f"{format_count(cause['count'])} {what}: {cause['cause']}"
        page.field(label, f"{text} ({_first(cause['first'])})")
        label = ""
    if len(causes) > _CAUSES_SHOWN:
        page.field("", f"and {len(causes) - _CAUSES_SHOWN} more, in verdict.json")


def _first(first: Content) -> str:
    """Where the earliest of them was."""
    text = f"first at {first['node']}, {_at(first['ns'])}"
    if first.get("packet") is not None:
        text += f", packet {first['packet']}"
        if first["frame"] is not None:
            text += f" of frame {first['frame']}"
    if gone := first.get("lost_characters"):
        text += f", which lost {gone} characters from {first['first_lost']} on"
    return text


# --- how sure -------------------------------------------------------------------------


def _certainty(page: Page, verdict: Content) -> None:
    """What bounds the loss, and what nobody could see."""
    loss = verdict["loss"]
    page.blank()
    if loss["rate"] is not None:
        if loss["rate"]:
            page.field(
                "loss rate",
                f"{loss['rate']:.3g}, at most {loss['upper']:.3g} at "
                f"{100 * loss['confidence']:g} % confidence, if {loss['assumes']}",
            )
        else:
            page.field("how sure", _needed(verdict))
    if verdict["not_observable"]:
        page.field("not observable", ", ".join(verdict["not_observable"]), "open")


def _needed(verdict: Content) -> str:
    """How many packets a smaller bound takes, and how long they take."""
    loss = verdict["loss"]
    pace_ns = verdict["trial_ns"] / loss["n"]
    steps = [
        f"to {rate} after {format_count(count)} ({_length(count * pace_ns)})"
        for rate, count in loss["packets_needed"].items()
        if loss["upper"] > float(rate)
    ]
    if not steps:
        return f"the bound on the loss is {loss['upper']:.3g}"
    return f"the bound falls {', '.join(steps)} packets at this rate, none of them lost"


def _length(ns: float) -> str:
    """A length of time in words that a person uses."""
    return glued(format_ns(ns, 3))


# --- where it is ----------------------------------------------------------------------


def whereabouts(page: Page, verdict: Content, run: Content) -> None:
    """The ledger, how to do it again, and what did the testing."""
    page.blank()
    kept(page, verdict, run)
    stated = [f"{word} {text}" for word, text in sorted(run["dut"].items()) if text]
    if stated:
        page.field("dut", ", ".join(stated))
    page.field("bench", _rig(verdict, run["rig"]))


def kept(page: Page, verdict: Content, run: Content) -> None:
    """The ledger, whether all of it was written, and how to do it again."""
    page.whole("ledger", verdict["run"])
    if broken := verdict["ledger"]:
        text = f"{broken['failed']}; {broken['unwritten']} records not written"
        page.field("", text, "bad")
    page.whole("again", shlex.join(run.get("command") or _command(verdict, run)))


def _command(verdict: Content, run: Content) -> Iterable[str]:
    """The words of a command that does it again, from the run's own profile."""
    words = ["nightbench", "stream", f"{verdict['run']}/profile.toml"]
    if run["packets"] is not None:
        words += ["--packets", str(run["packets"])]
    if run["duration_ns"] is not None:
        words += ["--for", typed(run["duration_ns"])]
    if run.get("line") is not None:
        words += ["--line", f"{run['line']:02X}h"]
    return [*words, "--seed", str(verdict["seed"])]


def typed(ns: int) -> str:
    """A length of time as a person would type it: in the largest unit that is whole."""
    unit = next(unit for unit in DURATION.written if ns % DURATION.units[unit] == 0)
    return f"{ns // DURATION.units[unit]}{unit}"


def _rig(verdict: Content, rig: Content) -> str:
    """How fast it went, and on what."""
    parts = [rig["host"], rig["system"], f"Python {rig['python']}"]
    parts += [f"{name} {version}" for name, version in sorted(rig["versions"].items())]
    return f"{_speed(verdict['trial_ns'], verdict['spent_ns'])}; {', '.join(parts)}"


def _speed(trial_ns: int, spent_ns: int) -> str:
    """How long it took, and how many times faster than on a real line that is."""
    text = f"{_length(trial_ns)} on the line took {_length(spent_ns)}"
    if spent_ns <= 0 or trial_ns <= 0:
        return text
    return f"{text}, {glued(f'{trial_ns / spent_ns:.3g} ×')} real time"
