"""The serial ports that are plugged in, and what the system tells of each.

pyserial lists them on every system.  What only Linux tells (the driver, the clock of a
UART, the release of an adapter, its latency timer) is read from its file tree, under a
root that is handed in; elsewhere it is not observable.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from bench.link.adapters.known import known_of, known_of_clock
from bench.link.ports.system.sysfs import BY_ID, latency_timer_ms, stable_name

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.link.adapters.known import Known

SYS = Path("/sys")


class Listed(Protocol):
    """What pyserial tells of a port."""

    device: str
    description: str
    vid: int | None
    pid: int | None
    serial_number: str | None


@dataclass(frozen=True, slots=True)
class Plugged:
    """One serial port; None for what the system does not tell.

    Attributes:
        device: Its name.
        stable: A name that it keeps when it is plugged in again.
        says: What the device says of itself.
        driver: The system's driver.
        usb: Vendor and product, "1A2B:3C4D".
        serial: Its serial number.
        known: What is known of its rates.
        latency_ms: For how long it keeps octets back.
        latency_file: Where that is read, and changed.
    """

    device: str
    stable: str | None
    says: str
    driver: str | None
    usb: str | None
    serial: str | None
    known: Known | None
    latency_ms: int | None
    latency_file: str | None


def plugged_in(
    listed: Iterable[Listed] | None = None, *, sys: Path = SYS, links: Path = BY_ID
) -> list[Plugged]:
    """Every serial port of this machine, in order of their names.

    Args:
        listed: What pyserial lists; asked unless given.
        sys: Where the file tree of the system's devices begins.
        links: Where names stand that stay.
    """
    if listed is None:
        from serial.tools import list_ports

        listed = list_ports.comports()
    ports = [_plugged(one, sys, links) for one in listed]
    return sorted(ports, key=lambda port: port.device)


def known_at(device: str) -> Known | None:
    """What is known of the rates of the adapter behind a port; None for nothing."""
    real = str(Path(device).resolve())
    for port in plugged_in():
        if port.device in (device, real):
            return port.known
    return None


def _plugged(one: Listed, sys: Path, links: Path) -> Plugged:
    name = Path(one.device).name
    known = known_of(one.vid, one.pid, _release(sys, name))
    clock = _number(sys / "class/tty" / name / "uartclk")
    if known is None and clock:
        known = known_of_clock(clock)
    usb = None if one.vid is None or one.pid is None else f"{one.vid:04X}:{one.pid:04X}"
    return Plugged(
        one.device,
        stable_name(one.device, links),
        one.description,
        _driver(sys, name),
        usb,
        one.serial_number,
        known,
        latency_timer_ms(one.device, sys),
        _latency_file(sys, name),
    )


def _driver(sys: Path, name: str) -> str | None:
    """The name of the driver that has a port."""
    try:
        return (sys / "class/tty" / name / "device/driver").resolve(strict=True).name
    except OSError:
        return None


def _release(sys: Path, name: str) -> int | None:
    """The number of a USB device's release, found above its port."""
    try:
        place = (sys / "class/tty" / name / "device").resolve(strict=True)
    except OSError:
        return None
    for folder in (place, *place.parents):
        if (number := _number(folder / "bcdDevice", 16)) is not None:
            return number
    return None


def _latency_file(sys: Path, name: str) -> str | None:
    path = sys / "bus/usb-serial/devices" / name / "latency_timer"
    return str(path) if path.exists() else None


def _number(path: Path, base: int = 10) -> int | None:
    try:
        return int(path.read_text("ascii"), base)
    except (OSError, ValueError):
        return None
