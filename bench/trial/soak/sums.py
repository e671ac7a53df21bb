"""The night summed up from its records, and from nothing else.

What was written down is what the verdict rests on, so a night that was killed and went
on is summed up like any other.  Packets of intervals that the host spoilt are left out
of everything that a host can spoil: what was not shown, shown late, twice or out of
order, and all times.  Wrong data, strays and clocks count whenever they were seen.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.judge.histogram import QUANTILE_TYPE, Histogram
from bench.judge.kept.intervals import TIMES
from bench.judge.statistics import ASSUMPTION, binomial_upper, packets_needed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from bench.profile.model import Profile

    Record = Mapping[str, Any]
    Counts = dict[str, int | None]

HARD = ("corrupt", "stray")
"""What no late host can have caused, of packets."""

WORDS = (
    "offered",
    "shown",
    "lost",
    "corrupt",
    "stray",
    "repeated",
    "out_of_order",
    "late",
    "ambiguous",
)

_BURSTS = ("count", "wrong_clocks", "marginal", "short_gaps")

_SOFT_BURSTS = ("marginal", "short_gaps")
"""Of bursts, what a late host may have caused, or have told wrongly."""

_NODE_BURSTS = {"count": "bursts"} | {word: word for word in _BURSTS[1:]}
"""What a record calls them, node by node."""

_NEEDED = {"1e-4": 1e-4, "1e-5": 1e-5, "1e-6": 1e-6}


class Sums:
    """The sums of a night so far.

    Attributes:
        intervals: Records of intervals.
        valid: Those in which the host did what the plan says.
        packets: Packets of valid intervals; of `HARD`, of all.
        spoilt: Packets of the others.
        characters: Sent.
        trial_ns: On the line.
        valid_ns: Of it in valid intervals.
    """

    def __init__(self, profile: Profile) -> None:
        """Nothing yet."""
        self._profile = profile
        self._size = len(profile.node)
        self.intervals = self.valid = 0
        self.packets: Counts = {}
        self.spoilt: Counts = {}
        self.characters = self.trial_ns = self.valid_ns = 0
        self._bursts: Counts = {}
        self._others: Counts = {}
        self._by_node: dict[str, NDArray[np.int64]] = {}
        self._extremes: dict[str, list[int | None]] = {}
        self.times = {what: Histogram() for what in TIMES}
        self._skew = Histogram()
        self._causes: dict[tuple[str, str], dict[str, Any]] = {}
        self._seen: dict[str, Any] = {}
        self._link: Counts = {}

    def take(self, record: Record) -> None:
        """One more interval."""
        valid = not record["health"]["void"]
        lasted_ns = record["to_ns"] - record["from_ns"]
        self.intervals += 1
        self.valid += valid
        self.characters += record["characters"]
        self.trial_ns = max(self.trial_ns, record["to_ns"])
        self.valid_ns += lasted_ns * valid
        for word, count in record["packets"].items():
            _add(self.packets, word, count if valid or word in HARD else _none(count))
            if not valid:
                _add(self.spoilt, word, count)
        for word in _BURSTS:
            count = record["bursts"][word]
            keeps = valid or word not in _SOFT_BURSTS
            _add(self._bursts, word, count if keeps else _none(count))
        for word in ("lost_characters", "dropped_frames", "blackouts"):
            if word in record:
                keeps = valid or word != "dropped_frames"
                count = record[word]
                _add(self._others, word, count if keeps else _none(count))
        for word, count in record.get("link", {}).items():
            _add(self._link, word, count)
        self._take_nodes(record, valid=valid)
        self._take_causes(record.get("causes", ()), valid=valid)
        if valid:
            for what, bins in record.get("latency_bins", {}).items():
                self.times[what].add_sparse(bins)
            if "skew_bins" in record:
                self._skew.add_sparse(record["skew_bins"])

    def _take_nodes(self, record: Record, *, valid: bool) -> None:
        """The parts of a record that go node by node."""
        for word, counts in record.get("packets_by_node", {}).items():
            if valid or word in HARD:
                self._node(word, counts)
        for word, counts in record.get("seen_by_node", {}).items():
            if valid or word not in _SOFT_BURSTS:
                self._node(f"seen {word}", counts)
        if not valid:
            return
        for word, values in record.get("extremes_by_node", {}).items():
            self._extreme(word, values)
        for word, value in record.get("extremes", {}).items():
            self._extreme(word, [value])

    def _extreme(self, word: str, values: Sequence[int | None]) -> None:
        """The least or the greatest of each node; of many nodes, of all of them."""
        least = word.startswith("least")
        known = self._extremes.get(word) or [None] * len(values)
        self._extremes[word] = [
            _extreme(a, b, least=least) for a, b in zip(known, values, strict=True)
        ]

    def _node(self, word: str, counts: Sequence[int]) -> None:
        have = self._by_node.setdefault(word, np.zeros(self._size, np.int64))
        have += np.array(counts, np.int64)

    def _take_causes(self, causes: Sequence[Record], *, valid: bool) -> None:
        """Why things went wrong."""
        for cause in causes:
            what = cause["what"]
            if not valid and what not in (*HARD, "wrong_clocks"):
                continue
            key = what, cause["cause"]
            known = self._causes.setdefault(
                key, {"what": what, "cause": cause["cause"], "count": 0}
            )
            known["count"] += cause["count"]
            if "first" in cause:
                known.setdefault("first", cause["first"])

    def ended(self, record: Record) -> None:
        """A stretch came to its end; what its link and its judge know beside."""
        seen = self._seen
        seen["shown_on"] = record.get("shown_on", "packet")
        seen["observed"] = record.get("observed")
        for word in ("findings", "void", "notes"):
            known = seen.setdefault(word, [])
            known += [text for text in record.get(word, ()) if text not in known]
        silent = record.get("silent_by_node")
        if silent is not None:
            known = seen.setdefault("silent", [0] * self._size)
            pairs = zip(known, silent, strict=True)
            seen["silent"] = [max(a, b or 0) for a, b in pairs]
        if record.get("link"):
            seen["link"] = record["link"]
        if record.get("gives_first"):
            seen.setdefault("gives_first", record["gives_first"])

    # --- said -------------------------------------------------------------------------

    @property
    def findings(self) -> tuple[str, ...]:
        """Faults of nodes that links found."""
        return tuple(self._seen.get("findings", ()))

    @property
    def void(self) -> tuple[str, ...]:
        """Why the whole night says nothing."""
        return tuple(self._seen.get("void", ()))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader has to know of links."""
        return tuple(self._seen.get("notes", ()))

    @property
    def lost(self) -> int:
        """Packets of valid intervals that were not shown."""
        return self.packets.get("lost") or 0

    def upper(self, confidence: float) -> float | None:
        """What bounds the loss over the valid intervals; None: nothing does."""
        offered, shown = self.packets.get("offered"), self.packets.get("shown")
        if not offered or shown is None:
            return None
        missing = min(max(offered - shown, 0), offered)
        return binomial_upper(missing, offered, confidence)

    def figures(self) -> dict[str, Any]:
        """All that a verdict is made from, as of any trial."""
        packets = {word: self.packets.get(word) for word in WORDS}
        packets["offered"] = packets["offered"] or 0
        loss = self._loss(packets)
        timed = packets["late"] is not None
        figures: dict[str, Any] = {
            "shown_on": self._seen.get("shown_on", "packet"),
            "packets": packets,
            "dropped_frames": self._others.get("dropped_frames"),
            "loss_rate": loss["rate"],
            "loss_upper": loss["upper"],
            "confidence": loss["confidence"],
            "loss": loss,
            "bursts": self._all_bursts(),
            "latency_ns": self._latency(timed=timed),
            "skew_ns": self._skew.as_dict() if timed else None,
            "spread_ns": self._spread() if timed else None,
            "quantiles": QUANTILE_TYPE,
            "line": self._line(),
            "lost_characters": self._others.get("lost_characters"),
            "causes": self._listed_causes(),
            "nodes": [self._of_node(k) for k in range(self._size)],
        }
        if "blackouts" in self._others:
            figures["blackouts"] = self._others["blackouts"]
        if "gives_first" in self._seen:
            figures["gives_first"] = self._seen["gives_first"]
        if self.spoilt:
            figures["not_judged"] = {
                "intervals": self.intervals - self.valid,
                "packets": {word: self.spoilt.get(word) for word in WORDS},
            }
        if self._link:
            figures["link"] = {**self._seen.get("link", {}), "counts": self._link}
        return figures

    def _loss(self, packets: Counts) -> dict[str, Any]:
        confidence = self._profile.accept.confidence
        offered, shown = packets["offered"], packets["shown"]
        rate = None
        if offered and shown is not None:
            rate = (offered - shown) / offered
        return {
            "n": offered,
            "rate": rate,
            "upper": self.upper(confidence),
            "confidence": confidence,
            "assumes": ASSUMPTION,
            "packets_needed": {
                text: packets_needed(rate, confidence) for text, rate in _NEEDED.items()
            },
        }

    def _latency(self, *, timed: bool) -> dict[str, Any]:
        return {
            word: self.times[word].as_dict() if timed else None
            for word in self._timed_words()
        }

    def _spread(self) -> dict[str, Any]:
        times = {what: self.times[what] for what in self._timed_words()}
        return {w: one.spread() for w, one in (times | {"skew": self._skew}).items()}

    def _timed_words(self) -> Sequence[str]:
        on_packets = self._seen.get("shown_on", "packet") == "packet"
        return TIMES[:2] if on_packets else TIMES

    def _all_bursts(self) -> Counts:
        gaps = [g for g in self._extremes.get("least_gap_ns", ()) if g is not None]
        skews = [s for s in self._extremes.get("lane_skew_ns", ()) if s is not None]
        return {
            **{word: self._bursts.get(word) for word in _BURSTS},
            "least_gap_ns": min(gaps, default=None),
            "lane_skew_ns": max(skews, default=None),
        }

    def _line(self) -> dict[str, Any]:
        load, lasted_ns = None, self.trial_ns
        if lasted_ns:
            busy_ns = self.characters * self._profile.bus.character.step
            load = float(busy_ns / lasted_ns)
        return {
            "characters": self.characters,
            "lasted_ns": lasted_ns or None,
            "offered_load": load,
        }

    def _listed_causes(self) -> list[dict[str, Any]]:
        listed = [dict(one) for one in self._causes.values() if one["count"] > 0]
        for cause in listed:
            cause.setdefault("first", {"ns": 0, "node": "not known"})
        return sorted(listed, key=lambda c: (-c["count"], c["what"], c["cause"]))

    def _of_node(self, k: int) -> dict[str, Any]:
        node, observed = self._profile.node[k], self._seen.get("observed")
        seen = bool(observed[k]) if observed is not None else bool(self.intervals)
        shown = self.packets.get("shown") is not None
        said: dict[str, Any] = {
            "name": node.name,
            "address": node.address,
            "observed": seen and shown,
        }
        if not seen:
            return said
        packets = {
            word: None if self.packets.get(word) is None else self._count(word, k)
            for word in WORDS
        }
        bursts: Counts = {
            word: None
            if self._bursts.get(word) is None
            else self._count(f"seen {name}", k)
            for word, name in _NODE_BURSTS.items()
        }
        by_node = self._size == 1 or all(len(v) > 1 for v in self._extremes.values())
        extremes = {w: v[k] for w, v in self._extremes.items()} if by_node else {}
        bursts["least_gap_ns"] = extremes.get("least_gap_ns")
        bursts["lane_skew_ns"] = extremes.get("lane_skew_ns")
        said |= {
            "packets": packets,
            "bursts": bursts,
            "lost_characters": None
            if self._others.get("lost_characters") is None
            else self._count("seen lost_characters", k),
            "latest_ns": extremes.get("latest_ns"),
            "silent_packets": self._seen.get("silent", [None] * self._size)[k],
        }
        return said

    def _count(self, word: str, k: int) -> int:
        counts = self._by_node.get(word)
        return 0 if counts is None else int(counts[k])


def _add(sums: Counts, word: str, count: int | None) -> None:
    """Add a count; what was once not observable stays so."""
    if count is None or (word in sums and sums[word] is None):
        sums[word] = None
    else:
        sums[word] = (sums.get(word) or 0) + count


def _none(count: int | None) -> int | None:
    """None of them; of what is not observable, not known."""
    return None if count is None else 0


def _extreme(a: int | None, b: int | None, *, least: bool) -> int | None:
    """The least or the greatest of two, as far as there are any."""
    known = [value for value in (a, b) if value is not None]
    if not known:
        return None
    return min(known) if least else max(known)
