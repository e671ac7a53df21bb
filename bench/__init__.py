"""nightbench: a test bench for splitters on a multi-drop RS-485 bus.

    import bench

    profile = bench.load_profile("causeway", ["output.clock=2 MHz"])
    result = bench.stream(profile, packets=1000, seed=7)
    print(result.verdict, result.reason, result.run)

Importing the package loads nothing heavy; what a name needs comes with the name.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from bench.api import StreamResult, header, load_profile, sheet, stream
    from bench.api_fuzz import fuzz, replay_case, zoo
    from bench.api_report import write_report
    from bench.api_search.edges import EdgeResult, edge
    from bench.api_search.sweeps import SweepResult, resume_sweep, sweep
    from bench.api_soak import SoakResult, resume_soak, soak
    from bench.api_upset import UpsetResult, upset
    from bench.base.errors import (
        BenchError,
        ExitCode,
        LedgerError,
        LinkError,
        ProfileError,
        UsageError,
    )
    from bench.profile import Profile, shipped_profiles
    from bench.trial.runner import Progress, Watcher

__all__ = [
    "BenchError",
    "EdgeResult",
    "ExitCode",
    "LedgerError",
    "LinkError",
    "Profile",
    "ProfileError",
    "Progress",
    "SoakResult",
    "StreamResult",
    "SweepResult",
    "UpsetResult",
    "UsageError",
    "Watcher",
    "__version__",
    "edge",
    "fuzz",
    "header",
    "load_profile",
    "replay_case",
    "resume_soak",
    "resume_sweep",
    "sheet",
    "shipped_profiles",
    "soak",
    "stream",
    "sweep",
    "upset",
    "write_report",
    "zoo",
]

__version__ = "0.1.0"

_HOMES = {
    "bench.api": ("StreamResult", "header", "load_profile", "sheet", "stream"),
    "bench.api_fuzz": ("fuzz", "replay_case", "zoo"),
    "bench.api_report": ("write_report",),
    "bench.api_search.edges": ("EdgeResult", "edge"),
    "bench.api_search.sweeps": ("SweepResult", "resume_sweep", "sweep"),
    "bench.api_soak": ("SoakResult", "resume_soak", "soak"),
    "bench.api_upset": ("UpsetResult", "upset"),
    "bench.base.errors": (
        "BenchError",
        "ExitCode",
        "LedgerError",
        "LinkError",
        "ProfileError",
        "UsageError",
    ),
    "bench.profile": ("Profile", "shipped_profiles"),
    "bench.trial.runner": ("Progress", "Watcher"),
}
"""Where each name lives."""


def __getattr__(name: str) -> object:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(home), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
