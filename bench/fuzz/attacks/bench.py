"""The kernels' memory for laying cases of one node, one after another on one line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import Line
from bench.base.seeds import stream_key
from bench.fuzz.attacks.laid import Laid
from bench.fuzz.attacks.plan import plan_of, wire_room
from bench.kernels.fuzz import records
from bench.kernels.fuzz.lay import lay
from bench.traffic.plan import packets_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.fuzz.attacks.plan import Ground
    from bench.fuzz.cases import Case

__all__ = ["Bench", "key_of"]

_RESETS = 4
"""Resets of a case at most: one a row, and one to spare."""


def key_of(seed: int, stream: str) -> NDArray[np.uint64]:
    """The key of one stream of a campaign's draws."""
    return np.array(stream_key(seed, f"fuzz {stream}"), np.uint64)


class Bench:
    """Lays cases of one node on one line.

    Attributes:
        out: `Out`, what was laid.
        state: `STATE`.
    """

    def __init__(self, ground: Ground, seed: int) -> None:
        """An idle line.

        Args:
            ground: The node.
            seed: Of the campaign.
        """
        self._ground = ground
        plan = plan_of(ground)
        room = wire_room(ground)
        flat = np.zeros((records.PIECES, len(records.PIECE.names or ())), np.int64)
        keys = np.stack([key_of(seed, s) for s in ("choices", "payload", "noise")])
        self.state = np.zeros(1, records.STATE)
        self.plan = plan
        self.parts = records.Parts(
            plan,
            self.state,
            flat.view(records.PIECE).reshape(-1),
            flat,
            _good_piece(ground),
            packets_of(ground.form),
            np.array(ground.strangers, np.int64),
            np.array(ground.form.layout.broadcast or (0,), np.int64),
            keys,
            np.zeros(room, np.uint8),
            np.zeros(2 * room, np.uint8),
            np.zeros(2 * room * 12 + 8, np.int64),
            _literals(ground),
        )
        self._room = 0
        self.out: Any = None

    def lay(self, cases: NDArray[Any], rows: NDArray[np.int64], start_ns: int) -> None:
        """Lay cases on a line that begins at an instant, all that there was is gone."""
        ground = self._ground
        most = int(self.plan[0]["case_most"])
        usual = 8 * (ground.packet_octets + 24) + 2 * ground.recover
        room = max(self._room, most + usual * len(cases))
        while True:
            if room > self._room:
                self._make(room, len(cases))
            self.state[0] = np.zeros((), records.STATE)
            self.state["ns"] = start_ns
            if len(self.out.laid) < len(cases):
                self._make(room, len(cases))
            done = lay(self.parts, self.out, cases, rows, np.int64(0))
            if done == len(cases):
                return
            room = 2 * room

    def _make(self, room: int, cases: int) -> None:
        """Room for so many characters."""
        self._room = room
        self.out = records.Out(
            np.zeros(room, np.uint8),
            np.zeros(room, np.int64),
            np.zeros(room + 16, records.RUN),
            np.zeros(room + 16, records.FLAW),
            np.zeros(room // 2 + 256, records.SENT),
            np.zeros(room + 4096, np.uint8),
            np.zeros(cases, records.LAID),
            np.zeros((_RESETS * cases + 16, 2), np.int64),
        )

    def line(self) -> Line:
        """What was laid, in one chunk."""
        state, out = self.state[0], self.out
        return Line(
            out.octets[: state["octets"]],
            out.runs[: state["runs"]],
            out.flaws[: state["flaws"]],
            0,
            int(state["ns"]),
        )

    def lay_one(self, case: Case) -> Laid:
        """One case by itself, from the beginning."""
        cases = np.zeros(1, records.CASE)
        cases[0] = (case.number, 0, len(case.rows), case.before, case.around)
        rows = np.ascontiguousarray(case.rows, np.int64).reshape(-1, 3)
        self.lay(cases, rows, 0)
        out, state, laid = self.out, self.state[0], self.out.laid[0]
        resets = out.resets[: state["resets"]].tolist()
        line = self.line()
        return Laid(
            case,
            self._ground,
            Line(
                line.octets.copy(),
                line.runs.copy(),
                line.flaws.copy(),
                0,
                line.until_ns,
            ),
            out.starts[: state["octets"]].copy(),
            out.sent[: state["sent"]].copy(),
            out.payload[: state["payload"]].copy(),
            tuple((int(place), int(ns)) for place, ns in resets),
            int(laid["attack_ns"]),
            int(laid["good_ns"]),
            int(laid["last_ns"]),
        )


def _good_piece(ground: Ground) -> NDArray[np.int64]:
    """A good packet."""
    piece = np.zeros(1, records.PIECE)
    for name in records.NOWHERE:
        piece[name] = -1
    piece["count"] = piece["own"] = piece["sound"] = 1
    piece["after_ns"] = ground.size_ns
    piece["address"] = ground.spec.address
    piece["payload"] = ground.payload_octets
    return piece.view(np.int64).reshape(-1).copy()


def _literals(ground: Ground) -> NDArray[np.int64]:
    """Places of a packet that hold what must be there, its marker's first."""
    marker = int(plan_of(ground)[0]["marker_octets"])
    places = list(range(marker))
    for at, octets in ground.form.layout.literals:
        places += [at + k for k in range(len(octets))]
    return np.array(places or [0], np.int64)
