"""Odd packets among good ones, on purpose: what does a node make of them?"""

from bench.trial.odd.kinds import KINDS, Odd, odd_of, probe_of
from bench.trial.odd.source import OddSource

__all__ = ["KINDS", "Odd", "OddSource", "odd_of", "probe_of"]
