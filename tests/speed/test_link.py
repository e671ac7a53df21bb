"""What a live link costs, on a pty that a second process reads with plain `os.read`.

Run with `-m speed -s`.  Each figure is the median of several runs; where a bare loop is
the measure, its runs lie between those of the bench.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
import tty
from statistics import median

import pytest

from bench.api import stream
from bench.base.clock import SystemClock
from bench.profile import load_profile
from bench.trial.links import LinkOptions, open_link

pytestmark = [
    pytest.mark.speed,
    pytest.mark.skipif(os.name != "posix", reason="needs a pty"),
]

READER = """
import os, tty
fd, near = os.openpty()
tty.setraw(near)
print(os.ttyname(near), flush=True)
while os.read(fd, 65536):
    pass
"""

RUNS = 5

BAUDS = ("4 Mbaud", "12 Mbaud")

TIMED = (
    "traffic.pacing=timed",
    "traffic.dither=0 %",
    "traffic.foreign.share=0 %",
    "traffic.frame_rate=250 Hz",
    "output.devices=1",
    "output.lanes=4",
    "output.register_bits=176",
    "output.latch_gap=20 us",
)
"""Four packets of 96 octets a frame: one each millisecond."""


@pytest.fixture
def far():
    """The name of a pty that a second process reads."""
    reader = subprocess.Popen(
        [sys.executable, "-c", READER], stdout=subprocess.PIPE, text=True
    )
    assert reader.stdout is not None
    yield reader.stdout.readline().strip()
    reader.kill()
    reader.communicate()


@pytest.mark.parametrize("baud", BAUDS)
def test_added_time(far, tmp_path, baud):
    """Time that the bench adds to what the baud dictates, and processor time."""
    rate = f"{int(5 * float(baud.split()[0]))} Hz"
    overrides = (f"bus.baud={baud}", f"traffic.frame_rate={rate}")
    profile = load_profile("causeway", overrides)
    added, spent, least = [], [], []
    for _ in range(RUNS):
        with open_link(far, profile) as link:
            before = time.process_time()
            result = stream(profile, duration="3s", logs=tmp_path, seed=1, link=link)
            spent.append(time.process_time() - before)
        told = result.figures["link"]
        dictated_ns = profile.bus.character.at(told["counts"]["accepted"])
        added.append(told["pacing"]["moved_ns"] / dictated_ns)
        least.append(told["pacing"]["least_lead_ns"] / 1e6)
        megaoctets = told["counts"]["accepted"] / 1e6
    print(  # noqa: T201
        f"\n{baud}: {100 * median(added):.4f} % added (worst {100 * max(added):.4f} %),"
        f" {median(spent) / megaoctets:.3f} s of processor a megaoctet, schedule, judge"
        f" and ledger included; least lead left {median(least):.1f} ms"
    )
    assert len(added) == RUNS


def bare(name: str, seconds: float) -> list[int]:
    """Lateness of a bare loop that sleeps, then spins, and writes 96 octets."""
    fd = os.open(name, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd)
    late, octets = [], bytes(100)
    deadline = time.monotonic_ns() + 20_000_000
    for _ in range(round(1000 * seconds)):
        deadline += 1_000_000
        rest = deadline - time.monotonic_ns() - 200_000
        if rest > 0:
            time.sleep(rest / 1e9)
        while (now := time.monotonic_ns()) < deadline:
            pass
        late.append(now - deadline)
        os.write(fd, octets)
    os.close(fd)
    return late


def p99(late: list[int]) -> int:
    """By nearest rank."""
    return sorted(late)[-(-99 * len(late) // 100) - 1]


def test_timed_lateness(far, tmp_path):
    """Lateness of write calls beside a bare loop's, runs of either in turn."""
    profile = load_profile("causeway", TIMED)
    mine, bares, raised = [], [], []
    realtime = LinkOptions(realtime=True)
    for _ in range(RUNS + 2):
        bares.append(p99(bare(far, 3)))
        with open_link(far, profile) as link:
            result = stream(profile, duration="3s", logs=tmp_path, seed=1, link=link)
        mine.append(result.figures["link"]["writes"]["lateness_ns"]["p99"])
        with open_link(far, profile, options=realtime) as link:
            result = stream(profile, duration="3s", logs=tmp_path, seed=1, link=link)
        raised.append(result.figures["link"]["writes"]["lateness_ns"]["p99"])
        priority = result.figures["link"]["pacing"]["realtime"]
    print(  # noqa: T201
        f"\ntimed, 1 ms: p99 of lateness {median(mine) / 1e3:.1f} us, of a bare loop "
        f"{median(bares) / 1e3:.1f} us; of each run {[m // 1000 for m in mine]} and "
        f"{[b // 1000 for b in bares]} us; with real-time priority ({priority}) "
        f"{median(raised) / 1e3:.1f} us"
    )
    assert median(mine) > 0


def test_lost_and_stopped(tmp_path):
    """How soon a loss is told, and how soon a stop is over."""
    profile = load_profile("causeway")
    lost, stopped = [], []
    for _ in range(RUNS):
        fd, near = os.openpty()
        tty.setraw(near)
        gone = []

        def drain(fd=fd, near=near, gone=gone):
            until = time.monotonic() + 1.5
            while time.monotonic() < until:
                os.read(fd, 65536)
            os.close(near)
            os.close(fd)
            gone.append(time.monotonic_ns())

        reader = threading.Thread(target=drain)
        with open_link(os.ttyname(near), profile, clock=SystemClock()) as link:
            reader.start()
            stream(profile, duration="60s", logs=tmp_path, seed=1, link=link)
            lost.append(time.monotonic_ns() - gone[0])
        reader.join()
        asked, from_s = [], time.monotonic() + 1.5

        def stop(asked=asked, from_s=from_s):
            if time.monotonic() < from_s:
                return None
            asked.append(time.monotonic_ns())
            return 15

        with open_link("loop", profile) as link:
            stream(profile, duration="60s", logs=tmp_path, seed=1, link=link, stop=stop)
        stopped.append(time.monotonic_ns() - asked[0])
    print(  # noqa: T201
        f"\nfrom the far end's end to the written verdict {median(lost) / 1e6:.0f} ms "
        f"(worst {max(lost) / 1e6:.0f}); from a request to stop to the end, the safe "
        f"level sent and the verdict written, {median(stopped) / 1e6:.0f} ms (worst "
        f"{max(stopped) / 1e6:.0f})"
    )
    assert len(lost) == len(stopped) == RUNS
