"""Why a port could not be had, in one line with the mend.

No such port: the nearest ones that are there.  Not allowed: the group that may.  Busy:
who may have it.  A system tells these apart by number; Windows, through pyserial, by
words only.
"""

from __future__ import annotations

import errno
from difflib import get_close_matches
from pathlib import Path

from bench.base.errors import Fault, LinkError
from bench.link.ports.base import optional, said
from bench.link.ports.system.sysfs import BY_ID, holders

BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK, errno.ETXTBSY}
"""Opened by somebody alone, or locked."""


def refused(
    name: str, error: BaseException, known: list[str] | None = None
) -> LinkError:
    """The error for a port that did not open.

    Args:
        name: As the user called it.
        error: What the system or the library threw.
        known: Ports that are there; those of this machine unless stated.
    """
    number, words = getattr(error, "errno", None), said(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or _says(
        words, "No such file", "FileNotFoundError"
    ):
        return LinkError(_none_such(name, ports_here() if known is None else known))
    if number in BUSY or _says(words, "exclusively lock"):
        return LinkError(_busy(name))
    if number in (errno.EACCES, errno.EPERM):
        return LinkError(_not_allowed(name))
    if _says(words, "PermissionError", "Access is denied"):
        return LinkError(_busy(name))  # Windows says so of a port in use
    if "://" in name:
        return LinkError(
            Fault(
                "cannot open",
                f"{name} ({words})",
                mend="does the far end listen there?",
            )
        )
    return LinkError(Fault("cannot open", f"{name} ({words})"))


def driver_switches(name: str) -> LinkError:
    """The error for RTS where it switches an RS-485 driver."""
    mend = "switch DTR instead, or leave the rs485 options out"
    return LinkError(Fault("RTS is the RS-485 driver's to switch", name, mend=mend))


def ports_here() -> list[str]:
    """Names of the serial ports of this machine, those that stay included."""
    tools = optional("serial.tools.list_ports")
    devices = [port.device for port in tools.comports()] if tools else []
    try:
        stable = sorted(str(link) for link in BY_ID.iterdir())
    except OSError:
        stable = []
    return [*sorted(devices), *stable]


def _none_such(name: str, known: list[str]) -> Fault:
    here = {Path(port).name: port for port in known}
    near = [here[n] for n in get_close_matches(Path(name).name, list(here), 3, 0.4)]
    if near:
        mend = f"nearest here: {', '.join(near)}"
    elif known:
        mend = f"ports here: {', '.join(known[:5])}"
    else:
        mend = "no serial port is here; is the adapter plugged in?"
    return Fault("no such port", name, mend=mend)


def _busy(name: str) -> Fault:
    who = holders(name)
    mend = (
        f"held by {', '.join(who)}"
        if who
        else "another program has it: one owner a port; close the other one"
    )
    return Fault("port is busy", name, mend=mend)


def _not_allowed(name: str) -> Fault:
    group = _group(name)
    if group is None:
        return Fault("not allowed to open", name, mend="see who may, and ask")
    return Fault(
        "not allowed to open",
        name,
        f"a member of group {group}",
        mend=f"add yourself: usermod -aG {group} NAME as root, then log in again",
    )


def _group(name: str) -> str | None:
    """The group that owns a device; None where there are none."""
    grp = optional("grp")
    try:
        return str(grp.getgrgid(Path(name).stat().st_gid).gr_name) if grp else None
    except (OSError, KeyError):
        return None


def _says(words: str, *any_of: str) -> bool:
    return any(part in words for part in any_of)
