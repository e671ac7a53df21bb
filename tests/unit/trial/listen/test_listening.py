"""A bus that is listened to: what is counted, and that cutting does not matter."""

from __future__ import annotations

import csv
import functools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.traffic.profiles import PACKETS, SMALL, small
from unit.trial.listen.reads import ends_of, reads_of, recut, sent_by

from bench.base.columns import Flaw, To
from bench.link.transport import Heard
from bench.profile.load import load_profile, parse_profile
from bench.trial.listen.fit import fit, measured, odd_sizes
from bench.trial.listen.listening import Listening
from bench.wire.format import format_of
from bench.wire.packets import build, encode

CASES = Path(__file__).parents[3] / "cases"
MS = 1_000_000


def heard(profile, reads, elapsed_ns=10**9):
    """The figures after some reads."""
    listening = Listening(profile)
    for read in reads:
        listening.take(read, read.at_ns)
    listening.finish()
    return listening.figures(elapsed_ns, tells_flaws=True)


def by_name(figures):
    """What was heard of each address."""
    return {one["name"]: one for one in figures["addresses"]}


@pytest.mark.parametrize("framing", PACKETS)
def test_a_whole_schedule_is_heard(framing):
    """Every packet of every framing is found, and nothing else."""
    profile = small(framing)
    line, sent = sent_by(profile, 30)
    figures = heard(profile, reads_of(line, profile, 5))
    assert figures["packets"] == len(sent.rows)
    assert figures["rejected"] == {}
    assert figures["garbage"]["octets"] == figures["spoilt"] == 0
    assert figures["characters"] == len(line.octets)
    own = (sent.rows["to"] >= 0).sum()
    kinds = [one["packets"] for one in figures["addresses"] if one["kind"] == "own"]
    assert sum(kinds) == own
    foreign = (sent.rows["to"] == To.FOREIGN).sum()
    kinds = [one["packets"] for one in figures["addresses"] if one["kind"] == "foreign"]
    assert sum(kinds) == foreign


@settings(deadline=None, max_examples=30)
@given(st.sampled_from(sorted(PACKETS)), st.integers(0, 2**32), st.booleans())
def test_cutting_does_not_matter(framing, seed, spoil):
    """Reads that returned at one instant may be cut in any way."""
    profile = small(framing)
    line, _ = sent_by(profile, 8, seed=seed % 7)
    if spoil:
        line.octets[seed % len(line.octets)] ^= 0x10
    reads = reads_of(line, profile, seed, late_ns=30_000)
    one, other = heard(profile, reads), heard(profile, recut(reads, seed + 1))
    assert one.pop("reads")["octets"] == other.pop("reads")["octets"]
    assert one == other


@settings(deadline=None, max_examples=20)
@given(st.sampled_from(["marker", "cobs", "break", "ninth-bit"]), st.integers(0, 999))
def test_where_silences_do_not_count_instants_do_not_either(framing, seed):
    """However late the host reads, packets and counts are the same."""
    profile = small(framing)
    line, _ = sent_by(profile, 8)
    line.octets[seed % len(line.octets)] ^= 0x10
    kept = ("packets", "rejected", "spoilt", "edges", "garbage", "characters", "pads")
    prompt = heard(profile, reads_of(line, profile, 1, most=9))
    late = heard(profile, reads_of(line, profile, seed, most=300, late_ns=9 * MS))
    assert {word: prompt[word] for word in kept} == {word: late[word] for word in kept}


def test_case_a23():
    """Noise that looks like a header: 4 packets, one bad check, 17 octets in none."""
    packet = """
framing = "marker"
fields = [{ kind = "literal", octets = "A5 5A" }, { kind = "address" },
  { kind = "length", size = 1 }, { kind = "payload", most = 255 },
  { kind = "check", algorithm = "CRC-16/MODBUS", order = "little" }]
"""
    profile = parse_profile(SMALL.format(packet=packet))
    with (CASES / "A23_noise.csv").open() as rows:
        reads = [
            Heard(bytes.fromhex(row["hex"]), int(row["t_us"]) * 1000)
            for row in csv.DictReader(rows)
        ]
    figures = heard(profile, reads)
    assert figures["characters"] == 64
    found = [(one["address"], one["looks"]["last"]) for one in figures["addresses"][:4]]
    assert found == [
        (0x11, "DEADBEEF"),
        (0x12, "A55A00"),
        (0x13, ""),
        (0x14, bytes(range(16)).hex().upper()),
    ]
    assert figures["rejected"]["bad check"] == 1
    assert figures["spoilt"] == 1
    assert figures["garbage"]["octets"] + figures["edges"]["octets"] == 17


def test_sequence_losses_and_bad_checks_are_told_by_address():
    """Left-out packets are missing, a spoilt one is rejected, each with its address."""
    profile = small("cobs")
    line, sent = sent_by(profile, 40)
    octets = line.octets.copy()
    ebb = sent.rows[sent.rows["to"] == 0]
    spoilt, gone = ebb[3], ebb[6:8]
    octets[int(spoilt["first"]) + int(spoilt["octets"]) - 3] ^= 0x40
    reads, at = [], 0
    ends = ends_of(line, profile)
    for row in gone:
        reads.append((at, int(row["first"])))
        at = int(row["first"] + row["octets"])
    reads.append((at, len(octets)))
    heap = [Heard(octets[a:b].tobytes(), ends[b - 1]) for a, b in reads if b > a]
    figures = heard(profile, heap)
    one = by_name(figures)["ebb"]
    assert one["packets"] == len(ebb) - 3
    assert one["missing"] == 3  # the spoilt one is among them
    assert one["restarts"] == 0
    assert figures["spoilt"] == 1
    assert sum(figures["rejected"].values()) >= 1


def test_a_sequence_that_starts_again_is_no_loss():
    """A sender that was switched on again is one restart, not 200 packets missing."""
    profile = small("cobs")
    line, _ = sent_by(profile, 40)
    once = Heard(line.octets.tobytes(), 50 * MS)
    again = Heard(line.octets.tobytes(), 100 * MS)
    one = by_name(heard(profile, [once, again]))["ebb"]
    assert one["missing"] == 0
    assert one["restarts"] == 1


def test_who_joins_in_the_middle_blames_nobody():
    """Half a packet at the beginning and at the end are edges, not faults."""
    profile = small("marker")
    line, _ = sent_by(profile, 20)
    whole = line.octets.tobytes()
    figures = heard(profile, [Heard(whole[5:-5], 10**9)])
    assert figures["spoilt"] == 0
    assert figures["garbage"]["octets"] == 0
    assert figures["edges"]["octets"] > 0
    assert figures["packets"] >= 18


def test_garbage_between_packets_is_counted_once():
    """Octets that are neither packet nor pad are garbage, wherever reads were cut."""
    profile = small("marker")
    line, sent = sent_by(profile, 10)
    at = int(sent.rows["first"][5])
    whole = line.octets.tobytes()
    spoilt = whole[:at] + b"\x11\x22\x33" + whole[at:]
    for size in (1, 7, len(spoilt)):
        reads = [
            Heard(spoilt[k : k + size], 1000 * k + 10**6)
            for k in range(0, len(spoilt), size)
        ]
        garbage = heard(profile, reads)["garbage"]
        assert garbage["octets"] == 3
        assert garbage["places"] == 1
        assert garbage["latest"].startswith("112233")


def test_periods_and_rates():
    """One packet every 10 ms: the period has no spread; 100 in their own time."""
    profile = small("marker")
    line, sent = sent_by(profile, 2)
    row = sent.rows[sent.rows["to"] == 0][0]
    packet = line.octets[int(row["first"]) : int(row["first"] + row["octets"])]
    reads = [Heard(packet.tobytes(), (k + 1) * 10 * MS) for k in range(100)]
    one = by_name(heard(profile, reads))["ebb"]
    assert one["packets"] == 100
    busy_ns = 99 * 10 * MS + len(packet) * 10_000  # from the first octet to the last
    assert one["per_s"] == pytest.approx(100 / (busy_ns / 1e9))
    period = one["period_ns"]
    assert period["n"] == 99
    assert (period["least"], period["max"]) == (10 * MS, 10 * MS)
    assert period["p50"] == pytest.approx(10 * MS, rel=0.001)


def test_what_payloads_look_like():
    """Ranges that change and ranges that do not, with the value of those."""
    profile = small("marker")
    form = format_of(profile.packet)
    reads = []
    for k in range(5):
        payload = bytes([7, 7, 7, k, k, 1, 2])
        octets = build(form, address=1, payload=payload)
        reads.append(Heard(octets, (k + 1) * MS))
    looks = by_name(heard(profile, reads))["ebb"]["looks"]
    assert looks["changing"] == 2
    assert looks["sizes"] == [(7, 5)]
    assert [(p["from"], p["to"], p["changes"], p["value"]) for p in looks["parts"]] == [
        (0, 2, False, 7),
        (3, 4, True, None),
        (5, 6, False, None),
    ]


def test_breaks_and_line_errors_are_counted_where_they_are_told():
    """Told or not observable, never zero."""
    profile = small("marker")
    listening = Listening(profile)
    flaws = ((1, Flaw.FRAMING), (3, Flaw.BREAK), (4, Flaw.BREAK))
    listening.take(Heard(bytes(6), MS, flaws), MS)
    listening.finish()
    told = listening.figures(MS, tells_flaws=True)["flaws"]
    assert told == {"framing": 1, "parity": 0, "breaks": 2}
    assert listening.figures(MS)["flaws"] is None


def test_what_reads_resolve():
    """Portions of 20 ms hide the silences between packets, and that is said."""
    profile = small("silence")
    line, _ = sent_by(profile, 40)
    whole = line.octets.tobytes()
    coarse = [Heard(whole[k : k + 200], (k + 1) * 10**5) for k in range(0, 900, 200)]
    assert heard(profile, coarse)["reads"]["silence_seen"] is False
    fine = reads_of(line, profile, 1, most=3)
    assert heard(profile, fine)["reads"]["silence_seen"] is True
    marked = small("marker")
    assert heard(marked, fine)["reads"]["silence_seen"] is None


def test_intervals_add_up_to_the_whole():
    """What intervals count is what the figures say in the end."""
    profile = small("marker")
    line, _ = sent_by(profile, 30)
    listening = Listening(profile)
    parts = []
    for read in reads_of(line, profile, 2):
        listening.take(read, read.at_ns)
        parts.append(listening.interval())
    listening.finish()
    parts.append(listening.interval())
    figures = listening.figures(1)
    assert sum(part["packets"] for part in parts) == figures["packets"]
    assert sum(part["characters"] for part in parts) == figures["characters"]


def test_noise_is_kept_in_bounds(monkeypatch):
    """A flood of wrong addresses fills no memory: the last ones are counted as one."""
    monkeypatch.setattr("bench.trial.listen.listening.MOST_TALKERS", 100)
    profile = small("slip")
    form = format_of(profile.packet)
    reads = [
        Heard(encode(form, build(form, address=k, payload=b"x")), k * MS)
        for k in range(256)
    ]
    figures = heard(profile, reads)
    assert figures["packets"] == 256
    assert len(figures["addresses"]) == 100
    assert figures["further_addresses"] == 156


def test_measured_traffic_as_overrides():
    """Frame rate, foreign share and sizes are those that were on the line."""
    profile = load_profile("causeway", ["traffic.foreign.lengths=[96]"])
    line, _ = sent_by(profile, 60)
    ends = ends_of(line, profile)
    figures = heard(profile, reads_of(line, profile, 1, most=500), ends[-1])
    overrides = dict(text.split("=", 1) for text in measured(profile, figures))
    assert float(overrides["traffic.frame_rate"].split()[0]) == pytest.approx(
        20, rel=0.02
    )
    share = float(overrides["traffic.foreign.share"].split()[0])
    assert share == pytest.approx(15, abs=1.5)
    assert overrides["traffic.foreign.addresses"] == "[17, 18, 19, 20]"


def test_too_little_for_a_frame_rate():
    """A handful of packets is no rate."""
    profile = small("marker")
    line, _ = sent_by(profile, 4)
    assert measured(profile, heard(profile, reads_of(line, profile, 1))) == []


@functools.cache
def causeway_heard(*overrides):
    """The shipped profile, and what is heard of some traffic for it."""
    profile = load_profile("causeway")
    line, _ = sent_by(load_profile("causeway", overrides), 52)
    ends = ends_of(line, profile)
    return profile, heard(profile, reads_of(line, profile, 1, most=900), ends[-1])


def test_traffic_that_fits():
    """As the profile says, so it is heard, and so it fits."""
    fits = fit(*causeway_heard())
    assert fits["fits"] is True
    assert fits["tightest"]
    assert fits["lines"]


def test_traffic_that_does_not_fit():
    """Somebody sends more frames than the boards can take: which limit is told."""
    _, figures = causeway_heard("traffic.frame_rate=25 Hz", "traffic.foreign.share=0")
    fits = fit(load_profile("causeway"), figures)
    assert fits["fits"] is True
    # A burst of 3,840 clocks takes 38.4 ms of 40, and then it shows too late.
    slow = fit(load_profile("causeway", ["output.clock=100 kHz"]), figures)
    assert slow["fits"] is False
    assert "shown" in slow["broken"]
    # It takes 40.4 ms, and the next packet comes after 40: no profile may say so.
    slower = fit(load_profile("causeway", ["output.clock=95 kHz"]), figures)
    assert slower["fits"] is False
    assert "outlast a frame" in slower["why"]


def test_payloads_that_do_not_fill_the_lanes_are_told():
    """A node drops them whatever the budget says."""
    _, figures = causeway_heard()
    other = load_profile("causeway", ["output.devices=10"])
    said = odd_sizes(other, figures)
    assert len(said) == 4
    assert "expected 1920" in said[0]
    assert odd_sizes(load_profile("causeway"), figures) == []


@pytest.mark.parametrize("framing", ["marker", "cobs", "ninth-bit"])
def test_fields_of_the_last_packet(framing):
    """In wire order, with the values that the sender put there."""
    profile = small(framing)
    line, sent = sent_by(profile, 6)
    row = sent.rows[sent.rows["to"] == 0][-1]
    at, size = int(row["payload_at"]), int(row["payload_octets"])
    one = by_name(heard(profile, reads_of(line, profile, 1)))["ebb"]
    told = {field["field"]: field for field in one["fields"]}
    assert [f["field"] for f in one["fields"]] == [
        f.kind for f in profile.packet.fields
    ]
    assert told["address"]["begins"] == "01"
    assert told["payload"]["octets"] == size
    assert (
        bytes.fromhex(told["payload"]["begins"]) == sent.payload[at : at + 4].tobytes()
    )
    if "length" in told:
        assert told["length"]["begins"] == f"{size:04X}"
