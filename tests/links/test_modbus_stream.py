"""A stream over the one path to a server that nobody here wrote, odd packets in it."""

from __future__ import annotations

import subprocess
from typing import Any

from links.modbus import profile_of, pymodbus_command

from bench.base.clock import SystemClock
from bench.judge.verdict import Outcome
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


def test_a_stream_finds_who_answers_for_others():
    """Good packets are answered, and so are those for nobody: that fails the trial."""
    command = pymodbus_command()
    profile = profile_of("08", "traffic.frame_rate=20 Hz", "observe.reply.window=18 ms")
    plan = Plan(
        profile, 5, packets=40, odd=(odd_of("foreign=3"), odd_of("bad-check=4"))
    )
    nothing = Nothing()
    tools = Tools(SystemClock(), nothing, nothing, lambda: None)
    with open_link("pty", profile, seed=5) as link:
        words = [*command, link.transport.path, str(profile.bus.baud), "1"]
        server = subprocess.Popen(
            words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        try:
            assert server.stdout.readline() == b"ready\n"
            outcome = run(plan, link, tools)
        finally:
            server.kill()
            server.wait()
            server.stdout.close()
    verdict = outcome.verdict
    reply = verdict.figures["link"]["reply"]
    assert verdict.outcome is Outcome.FAIL
    (finding,) = [one for one in verdict.failures if "nobody's" in one]
    asked = reply["packets"]["foreign"]["asked"]
    assert asked >= 10
    assert finding.startswith(f"answered {asked} of {asked} packets for ")
    assert reply["packets"]["bad_check"]["answered"] == 0
    assert verdict.figures["packets"]["shown"] == reply["packets"]["own"]["answered"]
    assert verdict.figures["packets"]["shown"] == 40
    assert "latency" in verdict.not_observable or profile.accept.latency_ns is None
    assert reply["round_trip"]["n"] == 40
