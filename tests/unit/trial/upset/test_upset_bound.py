"""From when on a node has to be itself again: the formula, term by term."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from unit.traffic.profiles import small
from unit.trial.upset.tries import marker, performed, request_of

from bench.base.columns import FLAW, RUN, Line
from bench.trial.upset.bound import bound_of, longest_of, settle_ns
from bench.trial.upset.line import Hearing
from bench.trial.upset.named import UPSETS
from bench.wire.format import format_of
from bench.wire.waveform import Track

if TYPE_CHECKING:
    from bench.profile.model import Profile
    from bench.trial.upset.bound import Bound

UPSET = {one.name: one for one in UPSETS}
CHARACTER_NS = 10_000  # 8N1 at 1 Mbaud


def bound(
    profile: Profile, name: str = "pulled-plug", gap_at: int = 0, gap_ns: int = 0
) -> Bound:
    """The bound on a line of FFh back to back that came back at 1 ms.

    A gap, if there is one, comes before the character so many after that.
    """
    count, first = 1000, 100 + gap_at
    runs = [(0, 0, 0)]
    if gap_ns:
        runs.append((first, first * CHARACTER_NS + gap_ns, 0))
    octets = np.full(count, 0xFF, np.uint8)
    line = Line(octets, np.array(runs, RUN), np.zeros(0, FLAW), 0, 10**9)
    hearing = Hearing(Track(line, profile.bus), profile.bus)
    heard = hearing.silent(500_000, 1_000_000)
    assert heard.in_step_ns == 1_000_000
    return bound_of(profile, profile.node[0], UPSET[name], heard)


def test_the_longest_packet() -> None:
    """Marker: as many characters as the longest packet has are taken for another."""
    longest = 2 + 1 + 2 + 64 + 2
    assert longest_of(format_of(marker().packet)) == longest
    assert bound(marker()).from_ns == 1_000_000 + longest * CHARACTER_NS


def test_idle_time_swallows_nothing() -> None:
    """Characters count, not time: a gap that means nothing puts the bound off."""
    late = bound(marker(), gap_at=20, gap_ns=300_000)
    assert late.from_ns == 1_000_000 + 71 * CHARACTER_NS + 300_000


@pytest.mark.parametrize(
    ("override", "gap_ns", "ends"),
    [
        ("packet.pause=200 us", 200_001, True),
        ("packet.pause=200 us", 200_000, False),
        ("packet.silence=200 us", 200_000, True),
        ("packet.silence=200 us", 199_999, False),
    ],
)
def test_a_pause_ends_it(override: str, gap_ns: int, ends: bool) -> None:
    """Where a pause makes a packet bad, it ends what was swallowed, too."""
    found = bound(marker(override), gap_at=20, gap_ns=gap_ns)
    pause = 1_000_000 + 20 * CHARACTER_NS + gap_ns
    assert (found.from_ns == pause) is ends


def test_stuffing_at_its_worst() -> None:
    """COBS: one octet more for every 254, and the delimiter (Cheshire and Baker)."""
    longest = 1 + 1 + 64 + 2 + 1 + 1
    assert bound(small("cobs")).from_ns == 1_000_000 + longest * CHARACTER_NS


@pytest.mark.parametrize("framing", ["slip", "hdlc", "break"])
def test_what_begins_by_itself(framing: str) -> None:
    """A break, or a delimiter before each packet, ends whatever went before."""
    assert bound(small(framing)).from_ns == 1_000_000


def test_timeout_waits_for_silence() -> None:
    """It may be deaf until the line is silent for as long as the profile says."""
    profile = marker("packet.silence=200 us", "processor.resync=timeout")
    found = bound(profile, gap_at=300, gap_ns=200_000)
    assert found.from_ns == 1_000_000 + 300 * CHARACTER_NS + 200_000
    assert bound(profile, gap_at=300, gap_ns=199_999).from_ns is None
    assert bound(profile).why == "the line is never silent"


def test_framing_by_silence() -> None:
    """The next silence ends whatever is going on."""
    found = bound(small("silence"), gap_at=7, gap_ns=100_000)
    assert found.from_ns == 1_000_000 + 7 * CHARACTER_NS + 100_000


def test_rescan_shows_what_it_found_at_once() -> None:
    """Every buffer may be full then, and each holds a packet to shift out."""
    forward, rescan = marker(), marker("processor.resync=rescan")
    node = rescan.node[0]
    more = 4 * settle_ns(node)  # two receive buffers and two for port words
    assert bound(rescan).from_ns == (bound(forward).from_ns or 0) + more
    # 32 clocks of 1 us and 10 us to latch; nothing is said of rearranging.
    assert settle_ns(node) == 32_000 + 1 + 10_000


def test_after_a_clean_silence_nothing_is_left_over() -> None:
    """The very next packet has to be shown."""
    assert bound(marker(), "silence").from_ns == 1_000_000


def test_out_of_step_there_is_none() -> None:
    """Asked for a bound where receivers never were in step, it says so."""
    octets = np.full(9, 0xFF, np.uint8)
    line = Line(octets, np.zeros(1, RUN), np.zeros(0, FLAW), 0, 10**9)
    profile = marker()
    heard = Hearing(Track(line, profile.bus), profile.bus).silent(0, 10**8)
    with pytest.raises(ValueError, match="out of step"):
        bound_of(profile, profile.node[0], UPSET["pulled-plug"], heard)


def test_the_bound_is_reached() -> None:
    """It is no larger than it has to be: some packet before it is lost now and then."""
    from unit.trial.upset.plain_nodes import PlainNodes

    request = request_of(small("cobs"), "pulled-plug", "half-baud", times=40)
    tried, _ = performed(request, lambda: PlainNodes(request.profile))
    nodes = [
        node for one in tried.tried for strike in one.strikes for node in strike.nodes
    ]
    assert all(node.first <= node.bound for node in nodes)
    assert any(node.first == node.bound == 2 for node in nodes)
