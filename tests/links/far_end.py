"""The far end of a port, in a process of its own: a pty read with plain `os.read`.

`far_end.py FILE [--open PATH] [--most N] [--then close|stall]` makes a pty and prints
the name of its other end, or opens one that somebody made.  What it reads goes into
FILE, until N octets have come; then it hangs up, or reads no more.  It prints the
instant of the system's monotonic clock at which it did, and ends with its input.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
import tty


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser()
    parser.add_argument("file")
    parser.add_argument("--open")
    parser.add_argument("--most", type=int, default=1 << 62)
    parser.add_argument("--then", default="close")
    given = parser.parse_args()
    if given.open:
        fd = os.open(given.open, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(fd)
        print("open", flush=True)  # noqa: T201
    else:
        fd, near = os.openpty()
        tty.setraw(near)
        print(os.ttyname(near), flush=True)  # noqa: T201
    taken = 0
    with open(given.file, "wb", buffering=0) as file:  # noqa: PTH123
        while taken < given.most:
            try:
                octets = os.read(fd, min(65536, given.most - taken))
            except OSError:  # hung up
                break
            if not octets:
                break
            taken += file.write(octets) or 0
    if given.then == "close":
        if not given.open:
            os.close(near)
        os.close(fd)
    print(time.monotonic_ns(), flush=True)  # noqa: T201
    sys.stdin.read()


if __name__ == "__main__":
    main()
