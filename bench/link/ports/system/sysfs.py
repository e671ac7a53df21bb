"""What a Linux system tells about a port in its file trees; elsewhere nothing.

Names that stay (`/dev/serial/by-id`), the time for which an adapter keeps octets back
before it passes them on (its latency timer), who holds a port, whether a device is a
real port at all.  Each function takes the root it looks under.
"""

from __future__ import annotations

import os
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")

PSEUDO_MAJORS = range(136, 144)
"""Device numbers of pty ends (Linux, devices.txt: Unix98 PTY slaves)."""


def stable_name(device: str, links: Path = BY_ID) -> str | None:
    """The name of a port that stays when it is plugged in again; None if there is none.

    A name that is such a link already is its own stable name.
    """
    path = Path(device)
    if path.parent == links:
        return device
    try:
        real = path.resolve()
        for link in sorted(links.iterdir()):
            if link.resolve() == real:
                return str(link)
    except OSError:
        pass
    return None


def latency_timer_ms(device: str, sys: Path = Path("/sys")) -> int | None:
    """How long the adapter keeps octets back; None if it does not say."""
    name = Path(os.path.realpath(device)).name
    for place in (
        sys / "bus/usb-serial/devices" / name / "latency_timer",
        sys / "class/tty" / name / "device/latency_timer",
    ):
        try:
            return int(place.read_text("ascii"))
        except (OSError, ValueError):
            continue
    return None


def holders(device: str, proc: Path = Path("/proc"), most: int = 3) -> list[str]:
    """Programs that have a device open, as "name (process 123)", as far as is shown."""
    real, found = os.path.realpath(device), []
    for folder in _numbered(proc):
        try:
            open_ = any(
                os.path.realpath(link) == real for link in (folder / "fd").iterdir()
            )
            if open_ and int(folder.name) != os.getpid():
                word = (folder / "comm").read_text("utf-8", "replace").strip()
                found.append(f"{word} (process {folder.name})")
        except OSError:
            continue
        if len(found) == most:
            break
    return found


def is_pseudo(device: str) -> bool:
    """Whether a device is an end of a pty, which keeps no bit rate."""
    real = os.path.realpath(device)
    if real.startswith("/dev/pts/"):
        return True
    try:
        number = Path(real).stat().st_rdev
    except (OSError, AttributeError, ValueError):
        return False
    return hasattr(os, "major") and number != 0 and os.major(number) in PSEUDO_MAJORS


def _numbered(proc: Path) -> list[Path]:
    """The folders of the processes, the latest first."""
    try:
        return sorted(
            (path for path in proc.iterdir() if path.name.isdigit()),
            key=lambda path: -int(path.name),
        )
    except OSError:
        return []
