"""The page of serial ports: what each is called, which rates it makes, what holds back.

What the system does not tell is said to be not observable.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import BAUD, format_rate
from bench.report.page import WIDTH, Page, Piece

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.link.adapters.plugged import Plugged

_LABELS = 18

UNSEEN = "not observable"


def ports_page(
    ports: Sequence[Plugged], wanted: Sequence[int], width: int = WIDTH
) -> Page:
    """Every port.

    Args:
        ports: The ports.
        wanted: Baud rates that are wanted.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    if not ports:
        page.field("ports", "no serial port is plugged in")
    for port in ports:
        page.blank()
        _port(page, port, wanted)
    return page


def ports_dict(ports: Sequence[Plugged], wanted: Sequence[int]) -> list[dict[str, Any]]:
    """The same for JSON."""
    return [
        {
            "device": port.device,
            "stable_name": port.stable,
            "description": port.says,
            "driver": port.driver,
            "usb": port.usb,
            "serial_number": port.serial,
            "rule": None if port.known is None else str(port.known.rule),
            "fastest_baud": None
            if port.known is None
            else float(port.known.rule.fastest),
            "rates": None if port.known is None else _rates(port, wanted),
            "latency_timer_ms": port.latency_ms,
            "latency_timer_file": port.latency_file,
        }
        for port in ports
    ]


def _rates(port: Plugged, wanted: Sequence[int]) -> list[dict[str, Any]]:
    assert port.known is not None
    made = [port.known.rule.nearest(baud) for baud in wanted]
    return [
        {"wanted": one.wanted, "baud": float(one.baud), "error": float(one.error)}
        for one in made
    ]


def _port(page: Page, port: Plugged, wanted: Sequence[int]) -> None:
    page.whole("port", port.device)
    page.whole("  stable name", port.stable or UNSEEN)
    about = [port.says] if port.says not in ("", "n/a") else []
    if port.usb:
        about.append(f"USB {port.usb}")
    if port.serial:
        about.append(f"serial number {port.serial}")
    about.append(f"driver {port.driver or UNSEEN}")
    page.field("  adapter", ", ".join(about))
    if port.known is None:
        page.field("  rates", "not known; nightbench qualify measures what it makes")
    else:
        fastest = format_rate(float(port.known.rule.fastest), "baud")
        text = f"{port.known.rule}, at most {fastest}"
        if port.known.note:
            text += f"; {port.known.note}"
        page.field("  rates", text)
        if wanted:
            _table(page, port, wanted)
    _latency(page, port)


def _table(page: Page, port: Plugged, wanted: Sequence[int]) -> None:
    """The rate nearest to each that is wanted."""
    assert port.known is not None
    rows = []
    for baud in wanted:
        made = port.known.rule.nearest(baud)
        cells = [
            Piece(format_rate(float(made.baud), "baud", 6)),
            Piece(f"{100 * float(made.error):+.3f} %", "" if made.serves else "bad"),
        ]
        rows.append((f"    {BAUD.text(baud)}", cells))
    page.table("    wanted", ["made", "error"], rows)


def _latency(page: Page, port: Plugged) -> None:
    """How long it keeps octets back, and how that is changed."""
    if port.latency_ms is None:
        page.field("  latency timer", UNSEEN)
        return
    page.field("  latency timer", f"{port.latency_ms} ms")
    if port.latency_file is not None and port.latency_ms > 1:
        page.whole("    shorter by", f"echo 1 | sudo tee {port.latency_file}")
