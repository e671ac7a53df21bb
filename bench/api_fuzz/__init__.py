"""Rubbish on the line from Python: campaigns, the zoo, replays.

    import bench

    result = bench.fuzz("causeway", duration="2 min")
    for finding in result.figures["fuzz"]["findings"]:
        print(finding["wrong"], finding["case"])

What a node is attacked with, and what must not come of it, is `bench.fuzz`; here are
the ledger, the corpus, and who plays cases.

    campaigns   `fuzz` and `resume_fuzz`
    asked       how far, on what, with which attacks
    play        block after block: in processes, on a cluster, on boards
    looks       what a case is a case of: shrunk, told, kept
    old         the corpus, replayed first
    replays     `replay_case`, `replay_corpus` and `replay_finding`
    zoos        `zoo`: the bench's own exam
    workers     what a process or a cluster does with a block of cases
"""

from __future__ import annotations

from bench.api_fuzz.campaigns import FuzzResult, fuzz, resume_fuzz
from bench.api_fuzz.replays import replay_case, replay_corpus, replay_finding
from bench.api_fuzz.zoos import ZooResult, zoo

__all__ = [
    "FuzzResult",
    "ZooResult",
    "fuzz",
    "replay_case",
    "replay_corpus",
    "replay_finding",
    "resume_fuzz",
    "zoo",
]
