"""What a Linux system tells about a port, from trees made for the test."""

from __future__ import annotations

import os
import subprocess

import pytest

from bench.link.ports.system.sysfs import (
    holders,
    is_pseudo,
    latency_timer_ms,
    stable_name,
)


@pytest.fixture
def device(tmp_path):
    """A device file of a name that a system would use."""
    place = tmp_path / "dev" / "ttyUSB3"
    place.parent.mkdir()
    place.touch()
    return place


@pytest.mark.parametrize(
    "where", ["bus/usb-serial/devices/ttyUSB3", "class/tty/ttyUSB3/device"]
)
def test_the_latency_timer_is_read_where_it_is(device, tmp_path, where):
    """In whichever of the two places, in ms; through a link to the device, too."""
    folder = tmp_path / "sys" / where
    folder.mkdir(parents=True)
    (folder / "latency_timer").write_text("16\n")
    link = tmp_path / "adapter"
    link.symlink_to(device)
    assert latency_timer_ms(str(device), tmp_path / "sys") == 16
    assert latency_timer_ms(str(link), tmp_path / "sys") == 16


@pytest.mark.parametrize("text", [None, "", "soon"])
def test_no_latency_timer_is_not_observable(device, tmp_path, text):
    """No file, or nothing that can be read in it: None."""
    folder = tmp_path / "sys/class/tty/ttyUSB3/device"
    folder.mkdir(parents=True)
    if text is not None:
        (folder / "latency_timer").write_text(text)
    assert latency_timer_ms(str(device), tmp_path / "sys") is None


def test_the_stable_name_is_found(device, tmp_path):
    """The link that leads to the device; itself if it is one; else none."""
    links = tmp_path / "by-id"
    assert stable_name(str(device), links) is None
    links.mkdir()
    (links / "usb-other-port0").symlink_to(tmp_path / "gone")
    assert stable_name(str(device), links) is None
    link = links / "usb-adapter_A1-port0"
    link.symlink_to(device)
    assert stable_name(str(device), links) == str(link)
    assert stable_name(str(link), links) == str(link)


def test_who_holds_a_device_is_named(device):
    """A program that has it open, by name and number; nobody after it ended."""
    with device.open() as held:
        program = subprocess.Popen(
            ["cat"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            pass_fds=[held.fileno()],
        )
    try:
        assert holders(str(device)) == [f"cat (process {program.pid})"]
    finally:
        program.communicate()
    assert holders(str(device)) == []


def test_a_pty_is_told_from_other_files(device):
    """Its ends are, files and what is not there are not."""
    master, slave = os.openpty()
    assert is_pseudo(os.ttyname(slave))
    os.close(master)
    os.close(slave)
    assert not is_pseudo(str(device))
    assert not is_pseudo("/dev/null")
    assert not is_pseudo("/dev/nowhere")
