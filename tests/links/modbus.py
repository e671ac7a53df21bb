"""Servers that nobody here wrote on a pty, and packets put on it by the clock."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
import tty
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import pytest
from unit.link.sight.packets import columns

from bench.link.sight import sighter_of
from bench.link.transport import Heard
from bench.profile import load_profile
from bench.wire.format import format_of
from bench.wire.packets import build

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.base.columns import Seen
    from bench.link.evidence import Evidence
    from bench.profile import Profile

HERE = Path(__file__).parent / "referees"

ADDRESS, NOBODY = 1, 9


def profile_of(function: str, *overrides: str) -> Profile:
    """The profile of a device that answers a function with the request."""
    refusal = f"{0x80 | int(function, 16):02X}"
    return load_profile(
        HERE / "modbus.toml",
        [
            f"packet.fields.1.octets={function}",
            f"observe.reply.refusal.fields.1.octets={refusal}",
            *overrides,
        ],
    )


# --- servers --------------------------------------------------------------------------


def pymodbus_command() -> list[str]:
    """The server in Python; skips where its library is missing."""
    if find_spec("pymodbus") is None:
        pytest.skip("pymodbus is not installed: pip install pymodbus")
    return [sys.executable, "-W", "ignore", str(HERE / "server.py")]


def libmodbus_command(folder: Path) -> list[str]:
    """The server in C, built here; skips where its library or a compiler is missing."""
    if not shutil.which("gcc") or not shutil.which("pkg-config"):
        pytest.skip("no gcc or no pkg-config: the libmodbus server cannot be built")
    asked = ["pkg-config", "--cflags", "--libs", "libmodbus"]
    found = subprocess.run(asked, capture_output=True, text=True)
    if found.returncode:
        pytest.skip("libmodbus is not installed: apt-get install libmodbus-dev")
    program = folder / "server"
    source = str(HERE / "server.c")
    flags = ["-O1", "-Wall", "-Wextra", "-Werror", "-o", str(program)]
    subprocess.run(["gcc", *flags, source, *found.stdout.split()], check=True)
    return [str(program)]


@contextmanager
def served(command: list[str], baud: int) -> Iterator[int]:
    """A server behind a pty; our end of it."""
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    words = [*command, os.ttyname(theirs), str(baud), str(ADDRESS)]
    server = subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, bufsize=0
    )
    try:
        assert server.stdout is not None
        assert select.select([server.stdout], [], [], 20)[0], "the server is not up"
        assert server.stdout.readline() == b"ready\n"
        yield ours
    finally:
        server.kill()
        server.wait()
        server.stdout.close()
        os.close(ours)
        os.close(theirs)


# --- what is put on the bus -----------------------------------------------------------


@dataclass(frozen=True)
class Stimulus:
    """One packet, and how long after the start of the one before it begins."""

    after_s: float
    octets: bytes
    own: bytes | None = None  # the payload, if a node is to answer


class Maker:
    """Makes packets of a profile, good and odd; every payload is another."""

    def __init__(self, profile: Profile) -> None:
        self._format = format_of(profile.packet)
        self._random = Random(4)
        self._next = 0

    def _payload(self) -> bytes:
        self._next += 1
        return (self._next * 40_503 % 65_536).to_bytes(2, "big")

    def own(self, after_s: float) -> Stimulus:
        """A good packet for the device."""
        payload = self._payload()
        octets = build(self._format, address=ADDRESS, payload=payload)
        return Stimulus(after_s, octets, payload)

    def foreign(self, after_s: float) -> Stimulus:
        """A good packet for nobody."""
        payload = self._payload()
        return Stimulus(after_s, build(self._format, address=NOBODY, payload=payload))

    def bad_check(self, after_s: float) -> Stimulus:
        """A packet for the device whose check is wrong."""
        made = build(
            self._format, address=ADDRESS, payload=self._payload(), check_xor=0x5A
        )
        return Stimulus(after_s, made)

    def unknown(self, after_s: float) -> Stimulus:
        """A sound packet for the device with a function that it does not know.

        Its payload is always the same, since it depends on it what a server that looks
        for a beginning further on takes it for.
        """
        made = build(self._format, address=ADDRESS, payload=b"\x55\x55")
        rule = self._format.layout.check
        assert rule is not None
        body = made[:1] + b"\x55" + made[2:-2]
        return Stimulus(after_s, body + rule.check.compute(body).to_bytes(2, "little"))

    def noise(self, after_s: float) -> Stimulus:
        """A single octet."""
        return Stimulus(after_s, bytes([self._random.randrange(0x20, 0xF0)]))

    def cut(self, after_s: float) -> Stimulus:
        """The first octets of a packet for the device."""
        return Stimulus(after_s, self.own(0).octets[:5])


@dataclass(frozen=True)
class Outcome:
    """What the sighter made of a server."""

    shown: list[bytes]
    evidence: Evidence


def driven(profile: Profile, ours: int, stimuli: list[Stimulus]) -> Outcome:
    """Put packets on the bus by the clock, and look at what comes back."""
    sighter = sighter_of(profile)
    pitch = profile.bus.pitch
    shown: list[bytes] = []
    began_ns = time.monotonic_ns() + 20_000_000
    start_ns, first = 0, 0

    def listen(until_ns: int) -> None:
        while (left_ns := began_ns + until_ns - time.monotonic_ns()) > 0:
            if select.select([ours], [], [], left_ns / 1e9)[0]:
                octets = os.read(ours, 4096)
                now_ns = time.monotonic_ns()
                sighter.heard(Heard(octets, now_ns), now_ns - began_ns)

    for serial, stimulus in enumerate(stimuli):
        start_ns += round(stimulus.after_s * 1e9)
        listen(start_ns)
        start_ns = max(start_ns, time.monotonic_ns() - began_ns)
        last_ns = pitch.at(len(stimulus.octets), start_ns)
        sighter.sent(
            *columns(serial, first, stimulus.octets, (start_ns, last_ns), stimulus.own)
        )
        os.write(ours, stimulus.octets)
        first += len(stimulus.octets)
        shown += _data(sighter.seen(start_ns))
    listen(start_ns + 200_000_000)
    shown += _data(sighter.seen(start_ns + 10_000_000_000))
    return Outcome(shown, sighter.evidence())


def _data(seen: Seen) -> list[bytes]:
    return [
        seen.data[row["data_at"] :][: row["data_octets"]].tobytes()
        for row in seen.shown
    ]
