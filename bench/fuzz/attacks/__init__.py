"""Attacks on a node, made from its own profile.

kinds    every attack by name: what its place and its value mean
plan     what good traffic for the node looks like, as the kernels take it
laid     a case on the line
attacks  `Attacks`: draws cases, lays them, tells them
told     a case in words
"""

from bench.fuzz.attacks.attacks import Attacks
from bench.fuzz.attacks.kinds import KINDS, Kind
from bench.fuzz.attacks.laid import Laid

__all__ = ["KINDS", "Attacks", "Kind", "Laid"]
