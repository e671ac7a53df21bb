"""Recordings: any prefix is one, damage is said, and playing gives what was sent."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from unit.traffic.profiles import PACKETS, shared, small
from unit.trial.listen.reads import reads_of, recut, sent_by

from bench.base.columns import Flaw
from bench.base.errors import UsageError
from bench.link.transport import Heard
from bench.trial.recorded import RecordedSource, Recorder, Recording

HEARD = st.builds(
    Heard,
    st.binary(min_size=1, max_size=30),
    st.integers(0, 2**62),
    st.just(((0, Flaw.BREAK),)) | st.just(()),
)


def written(profile, reads, **facts):
    """A recording of some reads."""
    file = io.BytesIO()
    recorder = Recorder(file.write, profile, facts)
    for read in reads:
        recorder.keep(read, read.at_ns)
    return file.getvalue()


def opened(octets):
    """A recording that is read from memory."""
    return Recording(io.BytesIO(octets).read, "rec")


def played(profile, octets, sizes):
    """All chunks of a recording, cut into sizes over and over."""
    source = RecordedSource(profile, opened(octets))
    chunks, k = [], 0
    while (chunk := source.take(sizes[k % len(sizes)])) is not None:
        chunks.append(chunk)
        k += 1
    return source, chunks


def joined(chunks):
    """Octets, flaws (place, kind), starts of all characters, rows and payloads."""
    octets = b"".join(line.octets.tobytes() for line, _ in chunks)
    flaws, rows, payload = [], [], []
    for line, sent in chunks:
        flaws += [(line.first + int(f["at"]), int(f["kind"])) for f in line.flaws]
        for row in sent.rows:
            carried = b""
            if row["payload_at"] >= 0:
                at = int(row["payload_at"])
                carried = sent.payload[at : at + int(row["payload_octets"])].tobytes()
            payload.append(carried)
            rows.append({name: int(row[name]) for name in row.dtype.names})
            del rows[-1]["payload_at"]
    return octets, flaws, rows, payload


def starts(profile, chunks):
    """The exact start of every character."""
    found = []
    for line, _ in chunks:
        bounds = [*line.runs["first"].tolist()[1:], len(line.octets)]
        for (first, ns, rem), end in zip(line.runs.tolist(), bounds, strict=True):
            found += [profile.bus.pitch.after(k, ns, rem) for k in range(end - first)]
    return found


# --- the file ---


@given(st.lists(HEARD, max_size=8))
def test_what_is_written_is_read(reads):
    """Octets, instants and flaws, in order of time."""
    reads.sort(key=lambda read: read.at_ns)
    recording = opened(written(small(), reads, when="now"))
    assert [(read, at) for read, at in recording.reads()] == [
        (read, read.at_ns) for read in reads
    ]
    assert recording.torn is None
    assert recording.header["when"] == "now"
    assert recording.header["bus"]["baud"] == 1_000_000


@given(st.lists(HEARD, min_size=1, max_size=5), st.data())
def test_any_prefix_is_a_recording(reads, data):
    """A torn tail costs its chunk and nothing before it, and is told with its place."""
    reads.sort(key=lambda read: read.at_ns)
    head = len(written(small(), []))
    whole = written(small(), reads)
    cut = data.draw(st.integers(head, len(whole)))
    recording = opened(whole[:cut])
    got = [read for read, _ in recording.reads()]
    assert got == reads[: len(got)]
    kept = len(written(small(), got))
    assert kept <= cut
    if recording.torn is None:
        assert kept == cut
    else:
        assert recording.torn.offset == kept
        assert kept < cut < len(written(small(), reads[: len(got) + 1]))


@given(st.lists(HEARD, min_size=1, max_size=4), st.data())
def test_a_flipped_bit_is_never_taken_for_octets(reads, data):
    """Up to the damaged chunk all is read; nothing wrong ever is."""
    reads.sort(key=lambda read: read.at_ns)
    head = len(written(small(), []))
    whole = bytearray(written(small(), reads))
    at = data.draw(st.integers(head, len(whole) - 1))
    whole[at] ^= 1 << data.draw(st.integers(0, 7))
    recording = opened(bytes(whole))
    got = [read for read, _ in recording.reads()]
    assert got == reads[: len(got)]
    assert len(got) < len(reads)
    assert recording.torn is not None


@pytest.mark.parametrize(
    ("octets", "what"),
    [
        (b"", "not a recording"),
        (b"\x00" * 200, "not a recording"),
        (b"nightbench recording 9\n{}\n", "another version"),
        (b"nightbench recording 1\n00000000 {}\n", "damaged head"),
        (b"nightbench recording 1\n", "damaged head"),
    ],
)
def test_what_is_no_recording_is_refused(octets, what):
    """Anything else is named, not guessed at."""
    with pytest.raises(UsageError, match=what):
        opened(octets)


def test_a_recording_of_another_line_is_refused():
    """Its times would mean nothing; the fault names what to set."""
    octets = written(small("marker", "bus.baud=2 Mbaud"), [])
    with pytest.raises(UsageError, match=r"bus\.baud.*--set bus.baud=2000000"):
        RecordedSource(small(), opened(octets))


# --- played back ---


@pytest.mark.parametrize("framing", PACKETS)
def test_played_back_it_is_what_was_sent(framing):
    """Octet by octet, flaw by flaw, packet by packet with whom it is for."""
    profile = small(framing)
    line, sent = sent_by(profile, 30)
    octets = written(profile, reads_of(line, profile, 4, most=7))
    _, chunks = played(profile, octets, [1 << 20])
    got, flaws, rows, payload = joined(chunks)
    assert got == line.octets.tobytes()
    assert flaws == [(int(f["at"]), int(f["kind"])) for f in line.flaws]
    assert len(rows) == len(sent.rows)
    for row, made, carried in zip(rows, sent.rows, payload, strict=True):
        for word in ("packet", "frame", "address", "to", "payload_octets"):
            assert row[word] == made[word], word
        if made["payload_at"] >= 0:
            at = int(made["payload_at"])
            size = int(made["payload_octets"])
            assert carried == sent.payload[at : at + size].tobytes()
        else:
            assert carried == b""
        ends = row["first"] + row["octets"]
        assert ends == made["first"] + made["octets"]
        late = row["last_bit_ns"] - made["last_bit_ns"]
        began = int(sent.rows["start_ns"][0])
        assert abs(late + began) < 2_000_000 / 100  # a character or two


@settings(deadline=None, max_examples=25)
@given(
    st.sampled_from(sorted(PACKETS)),
    st.integers(0, 2**32),
    st.lists(st.integers(1, 300), min_size=1, max_size=4),
)
def test_however_it_is_cut(framing, seed, sizes):
    """Reads of one instant, and chunks, may be cut anywhere: all is the same."""
    profile = small(framing)
    line, _ = sent_by(profile, 8)
    reads = reads_of(line, profile, seed, late_ns=50_000)
    _, whole = played(profile, written(profile, reads), [1 << 20])
    _, parts = played(profile, written(profile, recut(reads, seed)), sizes)
    assert joined(whole) == joined(parts)
    assert starts(profile, whole) == starts(profile, parts)
    until = -1
    for line_part, _ in parts:
        assert len(line_part.octets) <= max(sizes)
        assert line_part.until_ns >= until
        until = line_part.until_ns
        first = starts(profile, [(line_part, None)])[0][0]
        assert first <= until


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32))
def test_timing_is_that_of_the_reads(seed):
    """No character ends after its read returned where the line had room for it."""
    profile = small("marker")
    line, _ = sent_by(profile, 8)
    reads = reads_of(line, profile, seed, late_ns=0, most=5)
    source, chunks = played(profile, written(profile, reads), [64])
    assert source.behind_ns <= 20_000
    began = reads[0].at_ns - len(reads[0].octets) * 10_000
    place = 0
    exact = starts(profile, chunks)
    for read in reads:
        place += len(read.octets)
        ends = exact[place - 1][0] + 10_000
        assert abs(ends - (read.at_ns - began)) <= 20_000


def test_a_shared_payload_is_for_every_node():
    """One packet carries the octets of all nodes."""
    profile = shared("marker")
    line, sent = sent_by(profile, 10)
    octets = written(profile, reads_of(line, profile, 1))
    _, chunks = played(profile, octets, [100])
    _, _, rows, payload = joined(chunks)
    assert [row["to"] for row in rows] == sent.rows["to"].tolist()
    assert b"".join(payload) == sent.payload.tobytes()


def test_a_packet_that_does_not_fill_the_lanes_is_nobodys():
    """A node drops it, so nobody is expected to show it; it is counted."""
    profile = small("marker")
    line, _ = sent_by(profile, 6)
    octets = written(profile, reads_of(line, profile, 1))
    other = small("marker", "output.lanes=2")
    source, chunks = played(other, octets, [1 << 16])
    _, _, rows, _ = joined(chunks)
    assert {row["to"] for row in rows} == {-1}
    assert source.foreign_sizes == 6


def test_noise_is_on_the_line_and_no_packet():
    """What was garbage is played as it was heard."""
    profile = small("marker")
    draw = np.random.default_rng(2)
    noise = draw.integers(0, 256, 5000).astype(np.uint8).tobytes()
    reads = [Heard(noise[k : k + 50], k * 10_000 + 10**6) for k in range(0, 5000, 50)]
    _, chunks = played(profile, written(profile, reads), [123])
    got, _, rows, _ = joined(chunks)
    assert got == noise
    assert rows == []


def test_an_empty_recording_plays_nothing():
    """No characters, no chunk."""
    _, chunks = played(small(), written(small(), []), [10])
    assert chunks == []
