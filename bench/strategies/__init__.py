"""Hypothesis strategies for the traffic of any profile, good and hostile.

    from hypothesis import given
    from bench.strategies import traffic

    @given(traffic(bench.load_profile("my-board.toml")))
    def test_node(sent):
        assert my_node(sent.octets) == sent.shown

A `Traffic` knows by itself what nodes show that follow the profile.  What is drawn
shrinks to few pieces, each the plainest of its kind, with payloads of zeros.

    sent.py     what was drawn, and the line that it makes
    shown.py    what nodes that follow the profile show of it
    pieces.py   how hostile pieces are made
    draws.py    the strategies

Only the strategies need hypothesis, which is loaded with them; no kernel is loaded.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from bench.strategies.pieces import HOSTILE, hostile_kinds
from bench.strategies.sent import Piece, Traffic, calm_ns

if TYPE_CHECKING:
    from bench.strategies.draws import good, hostile, payloads, traffic

__all__ = [
    "HOSTILE",
    "Piece",
    "Traffic",
    "calm_ns",
    "good",
    "hostile",
    "hostile_kinds",
    "payloads",
    "traffic",
]

_DRAWS = ("good", "hostile", "payloads", "traffic")


def __getattr__(name: str) -> object:
    if name in _DRAWS:
        return getattr(import_module("bench.strategies.draws"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
