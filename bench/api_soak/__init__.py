"""The night from Python: soak the nodes of a profile until morning.

    import bench

    profile = bench.load_profile("causeway")
    result = bench.soak(profile, duration="8h", wanted="1e-6@0.95", seed=7)
    print(result.verdict, result.reason, result.run)

What is kept in the ledger is enough to go on with a night that was broken off, and to
play what led up to an anomaly once more.  As in `bench.api`, only the date and the
machine are asked for here.

    nights    `soak` and `resume_soak`
    kept      a night whose ledger has begun
    replay    `replay_anomaly`
"""

from __future__ import annotations

from bench.api_soak.kept import SoakResult
from bench.api_soak.nights import pace_of, resume_soak, soak
from bench.api_soak.replay import replay_anomaly

__all__ = ["SoakResult", "pace_of", "replay_anomaly", "resume_soak", "soak"]
