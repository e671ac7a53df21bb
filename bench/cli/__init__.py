"""The command line: options in, exit codes out.

Commands are thin: they read options, call `bench.api` and hand what comes back to the
report.  Signals are caught before anything else is loaded, so that one that comes while
libraries are being loaded is seen as soon as somebody looks.

The modules of this package import click and what Python brings, and everything else
inside of functions: `nightbench --help` loads nothing heavy.
"""

from __future__ import annotations

import os
import sys
import threading
from typing import NoReturn

from bench.cli.signals import Stop

__all__ = ["main"]


def main() -> NoReturn:
    """Run the command line of this process, and end it."""
    stop = Stop()
    stop.listen()
    from bench.cli.face import nightbench
    from bench.cli.options import Session

    code: object = 0
    try:
        nightbench.main(obj=Session(stop))
    except SystemExit as end:
        code = end.code
    stop.end()
    _end(code if isinstance(code, int) else int(code is not None))


def _end(code: int) -> NoReturn:
    """End the process, without waiting for work that was left behind."""
    if any(thread.daemon for thread in threading.enumerate()):
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        if jit := sys.modules.get("bench.kernels.jit"):
            jit.clean_up()
        os._exit(code)
    sys.exit(code)
