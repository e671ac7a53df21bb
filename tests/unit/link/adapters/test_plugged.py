"""Ports that are plugged in, on stub listings and a stub file tree."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest
from unit.cli.calls import call

from bench.link.adapters import plugged
from bench.link.adapters.known import EIGHTHS, FAST_EIGHTHS, WHOLE_OF_24_MHZ
from bench.link.adapters.plugged import plugged_in
from bench.report.ports import ports_dict, ports_page


@dataclass
class Stub:
    """What a listing tells of a port."""

    device: str
    description: str = "n/a"
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None


@pytest.fixture
def tree(tmp_path):
    """A file tree with one USB adapter, one UART on the system's bus, one pty."""
    sys, dev, links = (tmp_path / name for name in ("sys", "dev", "by-id"))
    usb = sys / "devices/usb1/1-2"
    port = usb / "1-2:1.0/ttyUSB0"
    driver = sys / "bus/usb-serial/drivers/some_sio"
    for folder in (port, driver, sys / "class/tty/ttyUSB0", sys / "class/tty/ttyS0"):
        folder.mkdir(parents=True)
    (usb / "bcdDevice").write_text("0900\n", "ascii")
    (port / "latency_timer").write_text("16\n", "ascii")
    (port / "driver").symlink_to(driver)
    (sys / "class/tty/ttyUSB0/device").symlink_to(port)
    (sys / "bus/usb-serial/devices").mkdir()
    (sys / "bus/usb-serial/devices/ttyUSB0").symlink_to(port)
    (sys / "class/tty/ttyS0/uartclk").write_text("1843200\n", "ascii")
    dev.mkdir()
    links.mkdir()
    (dev / "ttyUSB0").write_text("", "ascii")
    (links / "usb-adapter_A1-port0").symlink_to(dev / "ttyUSB0")
    return sys, dev, links


def found(tree, *stubs):
    """What is made of stubs."""
    sys, _, links = tree
    return plugged_in(stubs, sys=sys, links=links)


def test_a_usb_adapter(tree):
    """Everything that the tree tells of it."""
    sys, dev, links = tree
    stub = Stub(str(dev / "ttyUSB0"), "USB adapter", 0x0403, 0x6014, "A1")
    (port,) = found(tree, stub)
    assert port.stable == str(links / "usb-adapter_A1-port0")
    assert (port.says, port.driver) == ("USB adapter", "some_sio")
    assert (port.usb, port.serial) == ("0403:6014", "A1")
    assert port.known is not None
    assert port.known.rule is FAST_EIGHTHS
    assert port.latency_ms == 16
    assert port.latency_file == str(
        sys / "bus/usb-serial/devices/ttyUSB0/latency_timer"
    )


def test_a_uart_of_the_system(tree):
    """It tells its clock: 115,200 baud at most, by whole numbers."""
    (port,) = found(tree, Stub(str(tree[1] / "ttyS0")))
    assert port.known is not None
    assert port.known.rule.fastest == 115_200
    assert (port.usb, port.driver, port.latency_ms) == (None, None, None)


@pytest.mark.parametrize(
    ("release", "rule"),
    [(0x0600, EIGHTHS), (0x0700, FAST_EIGHTHS), (0x1000, EIGHTHS), (0x0200, None)],
)
def test_the_release_tells_chips_apart(tree, release, rule):
    """One vendor's products share numbers; what is unknown is not guessed at."""
    (tree[0] / "devices/usb1/1-2/bcdDevice").write_text(f"{release:04x}\n", "ascii")
    (port,) = found(tree, Stub(str(tree[1] / "ttyUSB0"), "x", 0x0403, 0x6010))
    assert (port.known and port.known.rule) is rule


def test_what_is_not_known(tree):
    """A stranger, and a machine that tells nothing beside the listing."""
    stranger = Stub(str(tree[1] / "ttyUSB0"), "x", 0x1234, 0x5678)
    elsewhere = Stub("COM7", "x", 0x10C4, 0xEA60)
    ports = {port.usb: port for port in found(tree, stranger, elsewhere)}
    assert ports["1234:5678"].known is None
    assert ports["10C4:EA60"].known.rule is WHOLE_OF_24_MHZ
    assert ports["10C4:EA60"].driver is None
    assert ports["10C4:EA60"].latency_file is None


def test_the_page(tree):
    """What is read from it, line by line."""
    sys, dev, _ = tree
    stub = Stub(str(dev / "ttyUSB0"), "USB adapter", 0x0403, 0x6014, "A1")
    page = ports_page(found(tree, stub), [4_000_000, 5_000_000]).plain()
    lines = [line.rstrip() for line in page.splitlines() if line]
    file = sys / "bus/usb-serial/devices/ttyUSB0/latency_timer"
    assert lines[0] == f"port              {dev / 'ttyUSB0'}"
    assert "USB adapter, USB 0403:6014, serial number A1, driver some_sio" in " ".join(
        page.split()
    )
    assert "  rates           12 MHz divided by eighths, at most 12 Mbaud" in lines
    assert "    4 Mbaud               4 Mbaud   +0.000 %" in lines
    assert "    5 Mbaud         5.05263 Mbaud   +1.053 %◂" in lines
    assert lines[-2:] == [
        "  latency timer   16 ms",
        f"    shorter by    echo 1 | sudo tee {file}",
    ]


def test_what_is_not_observable_is_said():
    """Nothing is shown as zero."""
    page = ports_page(plugged_in([Stub("COM3", "adapter")]), [9600]).plain()
    assert page.count("not observable") == 3
    assert "not known; nightbench qualify measures what it makes" in page
    (said,) = ports_dict(plugged_in([Stub("COM3", "adapter")]), [9600])
    assert said["rates"] is said["latency_timer_ms"] is said["stable_name"] is None


def test_nothing_is_plugged_in():
    """Said in a line."""
    assert "no serial port is plugged in" in ports_page([], []).plain()


# --- the command ----------------------------------------------------------------------


@pytest.fixture
def plugged_stub(monkeypatch, tree):
    """The command sees the tree's adapter."""
    sys, dev, links = tree
    stub = Stub(str(dev / "ttyUSB0"), "USB adapter", 0x0403, 0x6014, "A1")
    ports = plugged_in([stub], sys=sys, links=links)
    monkeypatch.setattr(plugged, "plugged_in", lambda: ports)


@pytest.mark.usefixtures("plugged_stub")
def test_rates_of_a_profile():
    """Its bus and its UART lanes, and what was asked for; each once."""
    result = call("ports", "jetty", "--baud", "3 Mbaud", "--baud", "1 Mbaud", "--json")
    assert result.exit_code == 0, result.stderr
    (port,) = json.loads(result.stdout)["ports"]
    assert [one["wanted"] for one in port["rates"]] == [3_000_000, 1_000_000, 38_400]
    assert port["rates"][0]["error"] == 0
    assert port["fastest_baud"] == 12_000_000


@pytest.mark.usefixtures("plugged_stub")
def test_the_command_prints_the_page():
    """The page, and code 0."""
    result = call("ports", "--baud", "4 Mbaud")
    assert result.exit_code == 0
    assert "12 MHz divided by eighths" in result.stdout


def test_a_rate_that_is_none():
    """One line."""
    result = call("ports", "--baud", "4 Mhz")
    assert result.exit_code == 2
    assert "@ --baud" in result.stderr


def test_this_machine():
    """Whatever is plugged in here can be listed."""
    result = call("ports", "--json")
    assert result.exit_code == 0
    assert isinstance(json.loads(result.stdout)["ports"], list)
