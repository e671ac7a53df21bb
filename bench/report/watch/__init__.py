"""A read-only page of a run that goes on, for a browser on this machine.

    with Watch(8080) as watch:
        watch.show({"profile": "causeway", "state": "running", "interval": record})

    guard     who may ask: address, host name, token
    told      a snapshot as strict JSON, of what may be seen and no more
    server    the thread that answers
    page.*    what a browser gets: it asks for the snapshot, and draws it

Whoever runs the trial hands in snapshots and never waits for a reader.
"""

from __future__ import annotations

from bench.report.watch.guard import new_token
from bench.report.watch.server import Watch

__all__ = ["Watch", "new_token"]
