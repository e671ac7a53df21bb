"""The oracles for very many cases: memory and calls of the kernels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import DROPPED, LOST, SHOWN
from bench.kernels.fuzz import records
from bench.kernels.fuzz.find import SEEN, find
from bench.kernels.fuzz.hear import Heard, hear, hear_all
from bench.kernels.fuzz.judge import LIMITS, judge
from bench.traffic.plan import packets_of
from bench.wire.format import Delimiter, Stuffing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from bench.fuzz.attacks.bench import Bench
    from bench.fuzz.attacks.plan import Ground
    from bench.node.simulated import Played
    from bench.wire.format import Format, Number

__all__ = ["Many", "limits_of", "rule_of"]

_BREACHES = 1024
_RESYNC = {"forward": 0, "timeout": 1, "rescan": 2}


class Many:
    """Finds and judges what a node made of one line after another."""

    def __init__(self, ground: Ground) -> None:
        """Prepare for one node as it should be."""
        self._rule = rule_of(ground)
        self._limits = limits_of(ground)
        packets = packets_of(ground.form)
        self._check, self._tables = packets.check, packets.tables
        self._dark = np.frombuffer(ground.spec.dark, np.uint8).copy()
        self._size = ground.spec.payload_octets
        self._scratch = np.zeros(ground.form.longest_raw + 8, np.uint8)
        self._told = np.zeros(_BREACHES, records.BREACH)
        # Whether every character has an idle time before it that counts.
        pause_ns = ground.form.delimiting.pause_ns or 1 << 62
        silence_ns = ground.form.delimiting.silence_ns or 1 << 62
        idle_ns = ground.profile.bus.virtual_idle_ns + 1
        self._idles = idle_ns >= min(pause_ns, silence_ns)
        self._room = 0
        self._heard: Any = None
        self._all_places = np.zeros(0, np.int64)
        self._found: Any = None
        self._data: Any = None

    def judge(
        self, bench: Bench, played: Sequence[Played]
    ) -> tuple[NDArray[Any], NDArray[Any], int, NDArray[np.int64]]:
        """Judge what a node made of a line.

        Returns:
            `BREACH` rows; `FOUND` rows, and how many; what became of packets.
        """
        state, out = bench.state[0], bench.out
        octets = int(state["octets"])
        resets = out.resets[: state["resets"]]
        shown, held, dropped, lost = _joined(played)
        gone = np.sort(lost["at"])
        count, seen = self.find(
            out.octets[:octets],
            out.starts[:octets],
            out.flaws[: state["flaws"]],
            gone,
            resets,
            out.runs[: state["runs"]],
        )
        breaches = judge(
            self._limits,
            self._found,
            np.int64(count),
            self._data,
            shown,
            held,
            dropped,
            lost,
            resets,
            self._dark,
            self._told,
        )
        return self._told[:breaches], self._found, count, seen

    def find(
        self,
        octets: NDArray[np.uint8],
        starts: NDArray[np.int64],
        flaws: NDArray[Any],
        lost: NDArray[np.int64],
        resets: NDArray[np.int64],
        runs: NDArray[Any] | None = None,
    ) -> tuple[int, NDArray[np.int64]]:
        """The packets in what got in: how many, and what became of all.

        Args:
            octets: The line.
            starts: When its characters start.
            flaws: Which of them are flawed.
            lost: Places that were lost, ascending.
            resets: (n, 2): place after a reset, its instant.
            runs: Where the line may have idled, if that is known.
        """
        if len(octets) > self._room:
            self._make(2 * len(octets))
        parts = np.zeros((len(resets) + 1, 2), np.int64)
        heard = self._heard
        whole = not (len(lost) or len(resets) or self._rule[0]["mute"])
        if runs is not None and whole and not self._idles:
            heard = heard._replace(octets=octets, places=self._all_places)
            hear_all(self._rule, runs, starts, flaws, heard, np.int64(len(octets)))
            parts[0] = len(octets), 1
        else:
            hear(self._rule, octets, starts, flaws, lost, resets, heard, parts)
        seen = np.zeros(SEEN, np.int64)
        count = find(
            self._rule,
            self._check,
            self._tables,
            heard,
            starts,
            parts,
            self._found,
            self._data,
            self._scratch,
            seen,
        )
        return int(count), seen

    def found(self, count: int) -> tuple[NDArray[Any], NDArray[np.uint8]]:
        """The rows of the last call, and what the node takes of each."""
        return self._found[:count], self._data

    def _make(self, room: int) -> None:
        self._room = room
        self._all_places = np.arange(room)
        self._heard = Heard(
            np.zeros(room, np.uint8),
            np.zeros(room, np.uint8),
            np.zeros(room, np.uint8),
            np.zeros(room, np.int64),
            np.zeros(room, np.int64),
        )
        layout = self._rule[0]
        shortest = max(1, int(layout["head"] + layout["least"] + layout["tail"]))
        rows = room // shortest + 8
        self._found = np.zeros(rows, records.FOUND)
        self._data = np.zeros(rows * self._size, np.uint8)


def _joined(played: Sequence[Played]) -> tuple[Any, Any, Any, Any]:
    """The rows of several calls as those of one."""
    if len(played) == 1:
        one = played[0]
        return one.shown, one.data, one.dropped, one.lost
    moved = 0
    for part in played:
        part.shown["data_at"] += moved
        moved += len(part.data)
    return (
        _rows_of([part.shown for part in played], SHOWN),
        np.concatenate([part.data for part in played]),
        _rows_of([part.dropped for part in played], DROPPED),
        _rows_of([part.lost for part in played], LOST),
    )


def _rows_of(parts: Sequence[NDArray[Any]], dtype: np.dtype[np.void]) -> NDArray[Any]:
    """Rows joined octet by octet: numpy takes long to promote fields to themselves."""
    return np.concatenate([part.view(np.uint8) for part in parts]).view(dtype)


def rule_of(ground: Ground) -> Any:
    """`RULE`, shape (1,): what a receiver goes by that follows the profile."""
    form, spec = ground.form, ground.spec
    delimiting, layout = form.delimiting, form.layout
    rule = np.zeros(1, records.RULE)
    row = rule[0]
    by_octet = delimiting.kind == Delimiter.OCTET
    marker = delimiting.octets if delimiting.kind == Delimiter.MARKER else b""
    values = {
        "delimiter": delimiting.kind,
        "delimiter_octet": delimiting.octets[0] if by_octet else 0,
        "marker_octets": len(marker),
        "longest_raw": form.longest_raw,
        "silence_ns": delimiting.silence_ns or 0,
        "pause_ns": delimiting.pause_ns or 0,
        "reject_flaws": delimiting.reject_flaws,
        "resync": _RESYNC[spec.resync],
        "stuffing": _stuffing(form),
        "escape": form.unstuffing.escape,
        "head": layout.head,
        "tail": layout.tail,
        "least": layout.least,
        "most": layout.most,
        "sized": layout.sized,
        "length_adds": layout.length_adds,
        "check_start": layout.check.start if layout.check else 0,
        "check_end": layout.check.end if layout.check else 0,
        "mask": layout.mask,
        "address": spec.address,
        "broadcasts": len(layout.broadcast),
        "mute": spec.uart.mute,
        "ready_ns": spec.uart.ready_ns,
        "character_ns": spec.uart.character_ns,
        "window": -1 if spec.window is None else spec.window,
        "data_octets": spec.payload_octets,
        "on_sync": spec.on_sync,
        "address_field": _field(layout.address),
        "length_field": _field(layout.length),
        "check_field": _field(layout.check.field if layout.check else None),
    }
    for name, value in values.items():
        row[name] = value
    row["marker"][: len(marker)] = list(marker)
    row["codes"] = -1
    for code, octet in form.unstuffing.pairs:
        row["codes"][code] = octet
    literals = [
        (at + k, octet)
        for at, octets in layout.literals
        for k, octet in enumerate(octets)
    ]
    row["literals"] = len(literals)
    for k, (at, octet) in enumerate(literals):
        row["literal_at"][k], row["literal_is"][k] = at, octet
    row["broadcast"][: len(layout.broadcast)] = layout.broadcast
    return rule


def _stuffing(form: Format) -> int:
    kinds = (Stuffing.NONE, Stuffing.COBS, Stuffing.ESCAPE, Stuffing.FLIP)
    return kinds.index(form.unstuffing.kind)


def _field(number: Number | None) -> tuple[int, int, int]:
    if number is None:
        return 0, 0, 0
    return number.at, number.size, int(number.order == "little")


def limits_of(ground: Ground) -> Any:
    """`LIMITS`, shape (1,): what a good node keeps to."""
    spec = ground.spec
    buffers = spec.cost.receive_buffers + spec.cost.word_buffers
    limits = np.zeros(1, LIMITS)
    limits[0] = (
        ground.settle_ns,
        buffers * ground.settle_ns,
        ground.waits,
        ground.may_lose,
        spec.output.clocks,
        spec.output.latch_gap_ns,
        spec.output.method == "port",
        spec.on_sync,
        spec.payload_octets,
        spec.blackout_ns or 0,
        spec.uart.character_ns,
    )
    return limits
