"""What a capture shows of a line, and of a run that somebody says was on it."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.capture.line import read_line
from bench.capture.vcd import VcdFile
from bench.profile import load_profile
from bench.traffic.schedule import Schedule
from bench.trial.qualify.captured import capture_figures, captured_says, held_by
from bench.wire.characters import CharacterFormat, write_levels
from bench.wire.waveform import characters_of

CASES = Path(__file__).parent.parent.parent.parent / "cases"

SMALL = [
    "output.devices=1",
    "output.lanes=4",
    "output.register_bits=176",
    "output.latch_gap=20 us",
]


def captured(octets, baud=4_000_000, real=4_000_000, rests=()):
    """A line on which characters stand back to back but for some rests, (at, ns)."""
    levels, start_ns, at = [(0, 1)], 10_000.0, 0
    bit_ns = 1e9 / real
    for place, rest_ns in [*rests, (len(octets), 0)]:
        part = octets[at:place]
        drawn = write_levels(part, CharacterFormat(1_000_000_000), 0)
        levels += [(round(start_ns + ns * bit_ns), level) for ns, level in drawn]
        start_ns += 10 * len(part) * bit_ns + rest_ns
        at = place
    return read_line(levels, CharacterFormat(baud))


def test_a_line_of_another_simulator():
    """168 characters at 4 Mbaud without a rest, written by iverilog 11."""
    octets = (CASES / "iverilog_node_4Mbaud_loss.vcd").read_bytes()
    file = VcdFile([octets])
    line = read_line(file.changes(file.find("rxd")), CharacterFormat(4_000_000))
    figures = capture_figures(line)
    assert (figures["characters"], figures["rests"], figures["flawed"]) == (168, 0, 0)
    assert figures["baud"] == {"baud": 4_000_000, "plus_minus": 0}
    assert figures["pitch_ns"]["least"] == figures["pitch_ns"]["max"] == 2_500


def test_another_simulator_lets_time_go_back():
    """The file of simavr does so in three places; its time never does here."""
    file = VcdFile([(CASES / "simavr_stockcli_500k.vcd").read_bytes()])
    times = [ns for ns, _ in file.changes(file.find("PORTB[0]"))]
    assert times == sorted(times)
    assert file.went_back == 3


@given(
    st.binary(min_size=40, max_size=80),
    st.integers(-20_000, 20_000),
    st.dictionaries(st.integers(1, 39), st.integers(1_000, 50_000), max_size=4),
)
def test_real_baud_and_rests_are_found(octets, ppm, rests):
    """Within 2 % of the baud it is known to 200 ppm, and every rest is counted."""
    real = 4_000_000 * (1 + ppm / 1e6)
    line = captured(octets, real=real, rests=sorted(rests.items()))
    figures = capture_figures(line)
    assert bytes(line.octets) == octets
    assert figures["baud"]["baud"] == pytest.approx(real, rel=5e-4)
    assert figures["rests"] == len(rests)
    assert figures["rest_ns"] == pytest.approx(sum(rests.values()), abs=80 * 3)
    sizes = sorted([*rests, 0, len(octets)])
    longest = max(b - a for a, b in itertools.pairwise(sizes))
    assert figures["chunks"]["max"] == longest


def test_nothing_on_the_line():
    """No character is no figure, and a sentence."""
    figures = capture_figures(captured(b""))
    assert figures["baud"] is figures["idle_share"] is figures["chunks"] is None
    assert captured_says(figures, 4_000_000) == [
        "the capture shows no character on this signal"
    ]


@pytest.fixture(scope="module")
def plan():
    """A packed schedule, its octets and a maker of it."""
    profile = load_profile("causeway", [*SMALL, "traffic.frame_rate=100 Hz"])
    octets = b""

    def source():
        return Schedule(profile, seed=3, packets=40)

    schedule = source()
    while (chunk := schedule.take(1 << 12)) is not None:
        octets += chunk[0].octets.tobytes()
    return profile, octets, source


def held(plan, line):
    """How a run is held by a capture."""
    profile, _, source = plan
    return held_by(line, source(), profile.bus.pitch)


def test_proven(plan):
    """All of the schedule on a line that never rested, other traffic around it."""
    line = captured(b"\x12\x34" + plan[1] + b"\xff" * 50)
    found = held(plan, line)
    assert found.grade == "proven", found.why
    assert found.figures["as_scheduled"] == found.figures["scheduled"] == len(plan[1])


def test_a_rest_is_no_proof(plan):
    """One rest of 5 us in the middle of a run: bounded, by exactly that."""
    found = held(plan, captured(plan[1], rests=[(1_000, 5_000)]))
    assert found.grade == "bounded"
    assert "rested once inside runs, 5 us in all" in found.why


def test_another_run_is_no_proof(plan):
    """A capture of something else, or of a part, proves nothing."""
    assert held(plan, captured(bytes(5_000))).why == (
        "the capture does not show this run"
    )
    part = held(plan, captured(plan[1][:2_000]))
    assert part.grade == "unproven"
    assert "2000 of" in part.why
    wrong = bytearray(plan[1])
    wrong[1_500] ^= 1
    assert held(plan, captured(bytes(wrong))).figures["as_scheduled"] == 1_500


def test_where_the_plan_rests_is_no_rest():
    """Timed packets lie apart, and by how much they are off is told."""
    profile = load_profile(
        "causeway",
        [*SMALL, "traffic.pacing=timed", "traffic.foreign.share=0 %"],
    )
    schedule = Schedule(profile, seed=3, packets=40)
    levels, octets = [(0, 1)], 0
    while (chunk := schedule.take(1 << 12)) is not None:
        line = chunk[0]
        ends = [*line.runs["first"][1:].tolist(), len(line.octets)]
        for row, end in zip(line.runs.tolist(), ends, strict=True):
            part = line.octets[row[0] : end].tobytes()
            octets += len(part)
            levels += write_levels(part, characters_of(profile.bus), row[1] + 7_000)
    read = read_line(levels, characters_of(profile.bus))
    found = held_by(read, Schedule(profile, seed=3, packets=40), profile.bus.pitch)
    assert found.grade == "proven", found.why
    assert found.figures["scheduled"] == octets
    assert found.figures["runs_placed_ns"]["max"] <= 1
