"""A stream over the one path to a server that nobody here wrote, odd packets in it."""

from __future__ import annotations

import subprocess
from typing import Any

from links.modbus import libmodbus_command, profile_of, pymodbus_command

from bench.base.clock import SystemClock
from bench.judge.verdict import Outcome, Verdict
from bench.trial.links import open_link
from bench.trial.odd import odd_of
from bench.trial.plan import Plan
from bench.trial.runner import Tools, run


class Nothing:
    """A ledger that keeps nothing, and somebody who does not look."""

    def interval(self, record: Any) -> None:
        """See `Records`."""

    def anomaly(self, record: Any) -> None:
        """See `Records`."""

    def sync(self) -> None:
        """See `Records`."""

    def begun(self, folder: Any) -> None:
        """See `Watcher`."""

    def progress(self, progress: Any) -> None:
        """See `Watcher`."""


def streamed(command: list[str], function: str, *odds: str) -> Verdict:
    """The verdict of a stream to a server, odd packets in its gaps."""
    overrides = ("traffic.frame_rate=20 Hz", "observe.reply.window=18 ms")
    profile = profile_of(function, *overrides)
    plan = Plan(profile, 5, packets=40, odd=tuple(odd_of(text) for text in odds))
    nothing = Nothing()
    tools = Tools(SystemClock(), nothing, nothing, lambda: None)
    with open_link("pty", profile, seed=5) as link:
        words = [*command, link.transport.path, str(profile.bus.baud), "1"]
        server = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        try:
            assert server.stdout.readline() == b"ready\n"
            return run(plan, link, tools).verdict
        finally:
            server.kill()
            server.wait()
            server.stdout.close()


def test_a_stream_finds_who_answers_for_others():
    """Good packets are answered, and so are those for nobody: that fails the trial."""
    verdict = streamed(pymodbus_command(), "08", "foreign=3", "bad-check=4")
    reply = verdict.figures["link"]["reply"]
    assert verdict.outcome is Outcome.FAIL
    (finding,) = [one for one in verdict.failures if "nobody's" in one]
    asked = reply["packets"]["foreign"]["asked"]
    assert asked >= 10
    assert finding.startswith(f"answered {asked} of {asked} packets for ")
    assert reply["packets"]["bad_check"]["answered"] == 0
    assert verdict.figures["packets"]["shown"] == reply["packets"]["own"]["answered"]
    assert verdict.figures["packets"]["shown"] == 40
    assert reply["round_trip"]["n"] == 40


def test_a_stream_finds_who_is_deaf_after_others(tmp_path):
    """A server in C that takes what follows a foreign request for the answer to it.

    It answers nobody's packets and none with a bad check; every good one after a
    foreign one is lost, and the verdict says after what.
    """
    verdict = streamed(libmodbus_command(tmp_path), "06", "foreign=4", "bad-check=5")
    figures = verdict.figures
    reply, packets = figures["link"]["reply"], figures["packets"]
    assert verdict.outcome is Outcome.FAIL
    for kind in ("foreign", "bad_check"):
        assert reply["packets"][kind]["asked"] >= 6
        assert reply["packets"][kind]["answered"] == 0
    assert packets["shown"] == reply["packets"]["own"]["answered"]
    assert packets["offered"] == 40
    (finding,) = [one for one in verdict.failures if "deaf" in one]
    assert finding.startswith(
        "sluice: deaf to the packet after a packet for another address that nobody "
        "answered"
    )
    lost = int(finding.partition(": ")[2].partition(" of ")[0].split()[-1])
    assert lost == packets["lost"] >= 6
    assert reply["round_trip"]["n"] == packets["shown"]
