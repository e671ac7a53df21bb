"""Why a port could not be had, in one line with the mend."""

from __future__ import annotations

import errno
import grp
import os

import pytest
import serial

from bench.base.errors import ExitCode
from bench.link.ports.refusals import refused

KNOWN = ["/dev/ttyUSB0", "/dev/ttyUSB1", "/dev/serial/by-id/usb-adapter_A1-port0"]


def line(error, name="/dev/ttyUSB7", known=KNOWN):
    """The one line, for an error with the exit code of links."""
    thrown = refused(name, error, known)
    assert thrown.exit_code == ExitCode.LINK
    (text,) = thrown.lines
    return text


@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException(errno.ENOENT, "could not open port"),
        FileNotFoundError(errno.ENOENT, "No such file or directory"),
        serial.SerialException(
            "could not open port 'COM9': FileNotFoundError(2, 'The system cannot find "
            "the file specified.', None, 2)"
        ),
    ],
)
def test_no_such_port_lists_the_nearest(error):
    """The nearest that are there, whatever the system's wording."""
    text = line(error)
    assert text.startswith("no such port: /dev/ttyUSB7")
    assert "nearest here: /dev/ttyUSB" in text


def test_no_such_port_lists_what_there_is():
    """Nothing near: the ports that are there; none: a question."""
    error = FileNotFoundError(errno.ENOENT, "No such file")
    assert "ports here: /dev/ttyUSB0" in line(error, "/dev/elsewhere/qqq")
    assert "no serial port is here" in line(error, known=[])


def test_not_allowed_names_the_group(tmp_path):
    """The group that owns the device, and how to join it."""
    place = tmp_path / "port"
    place.touch()
    group = grp.getgrgid(place.stat().st_gid).gr_name
    text = line(PermissionError(errno.EACCES, "Permission denied"), str(place))
    assert text.startswith(f"not allowed to open: {place}")
    assert f"usermod -aG {group}" in text


@pytest.mark.parametrize(
    "error",
    [
        serial.SerialException(errno.EBUSY, "could not open port: busy"),
        serial.SerialException(errno.EAGAIN, "Could not exclusively lock port"),
        serial.SerialException(
            "could not open port 'COM3': PermissionError(13, 'Access is denied.', "
            "None, 5)"
        ),
    ],
)
def test_busy_says_one_owner(error):
    """In use, locked, or what Windows says of both."""
    text = line(error)
    assert text.startswith("port is busy")
    assert "one owner a port" in text or "held by" in text


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOTTY])
def test_anything_else_is_quoted(number):
    """What the system said, in one line."""
    text = line(OSError(number, f"{os.strerror(number)}\nand more"))
    assert text.startswith("cannot open: /dev/ttyUSB7")
    assert os.strerror(number) in text
