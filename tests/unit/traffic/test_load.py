"""Bus load in closed form."""

from __future__ import annotations

import subprocess
import sys

import pytest
from unit.traffic.profiles import (
    causeway,
    character_ns,
    chunks,
    places,
    shared,
    small,
)

from bench.base.columns import Flaw
from bench.traffic.load import (
    costs_of,
    intended_load,
    most_frame_rate,
    offered_load,
)


def test_causeway_by_hand():
    """4 x 3,848 characters of 2.5 us are 38.48 ms: 25.99 frames/s, 77 % at 20."""
    assert most_frame_rate(causeway()) == pytest.approx(1 / 0.03848)
    assert f"{most_frame_rate(causeway()):.2f}" == "25.99"
    own = intended_load(causeway("traffic.foreign.share=0"))
    assert own == pytest.approx(20 * 0.03848)
    assert intended_load(causeway()) == pytest.approx(20 * 0.03848 + 0.15)
    assert offered_load(causeway()) == 1.0
    timed = causeway("traffic.pacing=timed")
    assert offered_load(timed) == intended_load(timed)
    assert intended_load(causeway("traffic.pacing=flood")) == 1.0


@pytest.mark.parametrize(
    "framing", ["marker", "cobs", "slip", "hdlc", "break", "ninth-bit"]
)
@pytest.mark.parametrize("every", [0, 3])
def test_own_load_is_what_is_sent(framing, every):
    """Measured over a long timed schedule, stuffing at its average."""
    profile = small(
        framing, "traffic.foreign.share=0", f"traffic.broadcast_every={every}"
    )
    busy_s = _busy_s(profile, framing, packets=3000)
    assert busy_s / (1500 / 200) == pytest.approx(intended_load(profile), rel=2e-3)


@pytest.mark.parametrize("framing", ["marker", "cobs", "slip", "hdlc", "break"])
def test_own_load_of_one_packet_for_all(framing):
    """One packet a frame; zeros between the nodes' octets are never replaced."""
    profile = shared(framing)
    busy_s = _busy_s(profile, framing, packets=3000)
    assert busy_s / (3000 / 200) == pytest.approx(intended_load(profile), rel=2e-3)


def _busy_s(profile, framing: str, packets: int) -> float:
    """Time that characters, breaks and marks of a schedule take up."""
    characters = breaks = 0
    for line, _ in chunks(profile, packets=packets):
        broken = len(places(line, Flaw.BREAK))
        characters += len(line.octets) - broken
        breaks += broken
    return characters * character_ns(framing) * 1e-9 + breaks * 104e-6


def test_one_packet_for_all_by_hand():
    """Two nodes' 16 octets and 4 between them, in SLIP: 2 x 38 + 2 characters."""
    costs = costs_of(shared("slip"))
    assert costs.sizes == (36,)
    assert costs.windows == ((0, 16), (20, 16))
    assert most_frame_rate(shared("slip"), worst=True) == 1e6 / 780
    average = 38 + 2 + 32 * 2 / 256  # of 32 random octets 2 in 256 are replaced
    assert most_frame_rate(shared("slip")) == pytest.approx(1e5 / average)
    fixed = shared("slip", "packet.fields.0.least=50")
    assert costs_of(fixed).sizes == (50,)  # as few as there may be


def test_worst_stuffing_is_twice_the_octets():
    """Every octet of a SLIP packet replaced: 2 x 19 + 2 characters for each node."""
    assert most_frame_rate(small("slip"), worst=True) == 1e6 / (2 * 400)
    assert most_frame_rate(small("cobs"), worst=True) == most_frame_rate(small("cobs"))


def test_loads_need_no_compiler():
    """Closed form: numba is not imported for it, nor for the patterns' names."""
    script = (
        "import sys; from bench.profile.load import load_profile\n"
        "from bench.traffic import load, line, patterns, schedule\n"
        "load.most_frame_rate(load_profile('causeway'))\n"
        "assert 'numba' not in sys.modules and 'bench.kernels' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", script], check=True)
