"""After too much traffic, and after a reset, on the simulated nodes."""

from __future__ import annotations

import pytest

from bench.api import load_profile
from bench.trial.edge import result
from bench.trial.edge.probe import Stopped
from bench.trial.edge.recovery import POWER_CUT_NS, recovery, resets

MS = 1_000_000
SLOW = ("processor.rearrange.per_octet=20 us", "accept.latency=", "accept.skew=")


def test_after_too_much_traffic() -> None:
    """Losses end once the packets that were held have been worked off."""
    # 3,840 octets at 20 us are 76.8 ms a packet and its share of interrupts: at 20
    # frames/s most of them find no buffer, at 5 every one does.
    profiles = (
        load_profile("causeway", [*SLOW, "traffic.frame_rate=20 Hz"]),
        load_profile("causeway", [*SLOW, "traffic.frame_rate=5 Hz"]),
    )
    made = recovery(profiles, 1, (2000 * MS, 3000 * MS), lambda: None)
    assert made["lost_before"] > 20
    assert made["offered_after"] == 60
    # Two packets held in each node, and one in the making.
    assert 0 <= made["recovery_ns"] < 3 * 140 * MS
    told = {"frame_rate_hz": 20}, {"frame_rate_hz": 5}
    said = result.recovered(made | {"overload": told[0], "after": told[1]})
    assert said["reason"].startswith("20 frames/s, then 5: the last packet is lost ")


def test_never_over() -> None:
    """Where the lower rate is too much as well, there is no end to the losses."""
    profile = load_profile("causeway", [*SLOW, "traffic.frame_rate=20 Hz"])
    made = recovery((profile, profile), 1, (1000 * MS, 1000 * MS), lambda: None)
    assert made["recovery_ns"] is None
    assert made["lost_after"] > 5


def test_nothing_to_get_over() -> None:
    """Boards that lose nothing have nothing to get over, and it is said so."""
    profile = load_profile("causeway")
    made = recovery((profile, profile), 1, (300 * MS, 300 * MS), lambda: None)
    assert (made["lost_before"], made["lost_after"]) == (0, 0)
    assert made["recovery_ns"] == 0
    told = {"overload": {"frame_rate_hz": 20}, "after": {"frame_rate_hz": 20}}
    assert "nothing was lost" in result.recovered(made | told)["reason"]


def test_after_a_reset() -> None:
    """A node shows again with the next packet that it hears whole."""
    profile = load_profile("causeway")
    made = {one["way"]: one for one in resets(profile, 1, lambda: None)}
    # A frame is 50 ms: the packet in hand is lost, and the one after it shown.
    for node in made["reset"]["nodes"]:
        assert 50 * MS <= node["dark_ns"] < 110 * MS
    assert made["reset"]["instants"] == 3
    # Ten seconds without power (RFC 2544, section 26.6), and then the same.
    assert made["power"]["off_ns"] == POWER_CUT_NS == 10_000 * MS
    for node in made["power"]["nodes"]:
        assert 10_000 * MS < node["dark_ns"] < 10_110 * MS
    said = result.reset(list(made.values()))
    assert said["verdict"] == "PASS"
    assert "after a reset" in said["reason"]


def test_told_to_stop() -> None:
    """A signal ends either."""
    profile = load_profile("causeway")
    with pytest.raises(Stopped):
        recovery((profile, profile), 1, (100 * MS, 100 * MS), lambda: 15)
    with pytest.raises(Stopped):
        resets(profile, 1, lambda: 15)
