"""Bus load in closed form."""

from __future__ import annotations

import subprocess
import sys

import pytest
from unit.traffic.profiles import causeway, chunks, small

from bench.traffic.load import intended_load, most_frame_rate, offered_load


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


@pytest.mark.parametrize("framing", ["marker", "cobs", "slip", "hdlc", "break"])
@pytest.mark.parametrize("every", [0, 3])
def test_own_load_is_what_is_sent(framing, every):
    """Measured over a long timed schedule, stuffing at its average."""
    profile = small(
        framing, "traffic.foreign.share=0", f"traffic.broadcast_every={every}"
    )
    characters = breaks = 0
    for line, _ in chunks(profile, packets=3000):
        characters += len(line.octets) - len(line.flaws)
        breaks += len(line.flaws)
    seconds = 1500 / 200
    busy = characters * 10e-6 + breaks * 104e-6
    assert busy / seconds == pytest.approx(intended_load(profile), rel=2e-3)


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
