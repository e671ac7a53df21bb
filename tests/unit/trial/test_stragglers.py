"""How long a trial looks on after its last packet, and how far it is."""

from __future__ import annotations

from typing import Any

import pytest

import bench
from bench.base.clock import JumpClock
from bench.node.link import SimulatedLink
from bench.trial.plan import Plan
from bench.trial.runner import STRAGGLERS_NS, Progress, Tools, run, stragglers_ns


@pytest.mark.parametrize(
    ("profile", "overrides", "ns"),
    [
        # RFC 2544, section 23: at least two seconds.
        ("causeway", (), STRAGGLERS_NS),
        ("dmx512", (), STRAGGLERS_NS),
        # A packet that is in time is seen.
        ("causeway", ("accept.latency=3 s",), 6_000_000_000),
        # 128 buffers and one more: 25 ms of bits, 2 ms of gap, 290 us of rearranging,
        # 2 us to start.
        (
            "jetty",
            (
                "processor.buffers.receive=64",
                "processor.buffers.port_words=64",
                "output.clock=19200",
            ),
            129 * (25_000_000 + 2_000_000 + 290_000 + 2_000),
        ),
    ],
)
def test_stragglers(profile: str, overrides: tuple[str, ...], ns: int) -> None:
    """As long as whatever a node may hold takes, and two seconds at least."""
    assert stragglers_ns(bench.load_profile(profile, overrides)) == ns


class Silent:
    """Keeps no records, and what it is told of progress."""

    def __init__(self) -> None:
        self.shares: list[float] = []

    def interval(self, record: Any) -> None:
        """Nothing is kept."""

    def anomaly(self, record: Any) -> None:
        """Nothing is kept."""

    def sync(self) -> None:
        """Nothing is kept."""

    def begun(self, folder: Any) -> None:
        """Nothing is kept."""

    def progress(self, progress: Progress) -> None:
        """Note how far it is."""
        self.shares.append(progress.share)


class Hasty(JumpClock):
    """A clock by which every chunk is worth telling of."""

    def now_ns(self) -> int:
        """A second later each time."""
        self.advance(1_000_000_000)
        return super().now_ns()


@pytest.mark.parametrize("profile", ["dmx512", "causeway"])
def test_share_of_packets(profile: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One packet for all nodes is one of the packets that were asked for."""
    monkeypatch.setattr("bench.trial.carried.CHUNK_OCTETS", 5_000)
    loaded, silent = bench.load_profile(profile), Silent()
    plan = Plan(loaded, seed=1, packets=120)
    with SimulatedLink(loaded) as link:
        outcome = run(plan, link, Tools(Hasty(), silent, silent, lambda: None))
    each = len(loaded.node) if loaded.packet.shared else 1
    assert outcome.verdict.figures["packets"]["offered"] == 120 * each
    assert silent.shares == sorted(silent.shares)
    assert silent.shares[-1] > 0.9
    assert silent.shares[len(silent.shares) // 2] == pytest.approx(0.5, abs=0.25)
