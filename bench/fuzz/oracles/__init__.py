"""What must not come of an attack, judged on one case of any link.

    breach   `Breach`, and every oracle by name
    heard    what of the line got into a node's receiver
    referee  the packets that a receiver following the profile finds in that
    judge    `judge_case`: what was seen beside what was found

All in plain Python; `bench.kernels.fuzz` does the same for very many cases, and the two
are held against each other.
"""

from bench.fuzz.oracles.breach import ORACLES, Breach
from bench.fuzz.oracles.judge import judge_case

__all__ = ["ORACLES", "Breach", "judge_case"]
