"""A coverage-guided fuzzer on one target: `python guided.py TARGET SECONDS [FOLDER]`.

Run in a process of its own: the fuzzer ends the process.  FOLDER keeps what reached new
code, to go on from; what crashed is written beside it.  The exit code is 0 if nothing
did.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]


def main() -> None:
    """Fuzz one target."""
    name, seconds, *folder = sys.argv[1:]
    with atheris.instrument_imports(include=["bench"]):
        import targets

        target = targets.TARGETS[name]
        for octets in (b"\0" * 64, *targets.seeds(name)):
            target(octets)  # what is imported late is instrumented as well
    options = [f"-max_total_time={seconds}", "-max_len=4096", "-rss_limit_mb=2048"]
    for number, octets in enumerate(targets.seeds(name)):
        if folder:
            (Path(folder[0]) / f"seed-{number}").write_bytes(octets)
    atheris.Setup([sys.argv[0], *options, *folder], target)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
