"""Reading: every whole record, everything else kept apart, nothing changed."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.base.errors import LedgerError
from bench.ledger import LogRead, read_log, read_run
from bench.ledger.lines import line_of

if TYPE_CHECKING:
    from pathlib import Path

RECORDS = [{"n": n, "note": "tide in", "sent": n * 64} for n in range(6)]
LINES = [line_of(record) for record in RECORDS]


def log_of(folder: Path, *segments: bytes) -> Path:
    """A log of these segments; None leaves one out."""
    for number, octets in enumerate(segments, 1):
        name = "intervals.log" if number == 1 else f"intervals.{number:04d}.log"
        if octets is not None:
            (folder / name).write_bytes(octets)
    return folder / "intervals.log"


def test_whole_log(tmp_path: Path) -> None:
    """A sound log gives its records and nothing else."""
    log = read_log(log_of(tmp_path, b"".join(LINES)))
    assert log == LogRead(RECORDS, segments=[("intervals.log", sum(map(len, LINES)))])


def test_segments_are_one_log(tmp_path: Path) -> None:
    """Segments are read in the order of their numbers, past 9999 too."""
    path = log_of(tmp_path, LINES[0], LINES[1])
    (tmp_path / "intervals.10000.log").write_bytes(LINES[2])
    (tmp_path / ".intervals.10001.log.draft").write_bytes(LINES[3])
    (tmp_path / "intervals.0003.log.copy").write_bytes(LINES[4])
    log = read_log(path)
    assert log.records == RECORDS[:3]
    assert log.missing == [f"intervals.{n:04d}.log" for n in range(3, 10_000)]
    assert not log.damaged


def test_missing_segment_is_named(tmp_path: Path) -> None:
    """A hole between segments is noticed, and what is there is read."""
    log = read_log(log_of(tmp_path, None, LINES[1], None, LINES[3]))
    assert log.records == [RECORDS[1], RECORDS[3]]
    assert log.missing == ["intervals.log", "intervals.0003.log"]


def test_damage_is_kept_apart(tmp_path: Path) -> None:
    """A damaged line gives its place and octets; the lines around it are read."""
    bad = b"tide\xc2\x00 out"
    start = len(LINES[0]) + len(LINES[1])
    log = read_log(log_of(tmp_path, LINES[0], LINES[1] + bad + b"\n" + LINES[2]))
    assert log.records == RECORDS[:3]
    assert log.damaged == [(start, bad)]
    assert log.place(start) == ("intervals.0002.log", len(LINES[1]))
    with pytest.raises(ValueError, match="no such place"):
        log.place(10**6)


def test_torn_tail(tmp_path: Path) -> None:
    """A last line without its end is torn, at its place and of its length."""
    log = read_log(log_of(tmp_path, LINES[0] + LINES[1][:20]))
    assert log.records == RECORDS[:1]
    assert log.damaged == []
    assert log.torn == (len(LINES[0]), 20)


def test_torn_closed_segment_is_damage(tmp_path: Path) -> None:
    """A tail in a segment that others follow is damage: nobody will finish it."""
    log = read_log(log_of(tmp_path, LINES[0] + LINES[1][:20], LINES[2]))
    assert log.records == [RECORDS[0], RECORDS[2]]
    assert log.damaged == [(len(LINES[0]), LINES[1][:20])]
    assert log.torn is None


def test_only_the_newline_is_missing(tmp_path: Path) -> None:
    """A last record that lacks its newline alone is a whole record."""
    log = read_log(log_of(tmp_path, LINES[0] + LINES[1][:-1]))
    assert (log.records, log.torn) == (RECORDS[:2], None)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.lists(
        st.sampled_from(LINES)
        | st.binary(max_size=40).map(lambda b: b.replace(b"\n", b"") + b"\n")
    ),
    st.binary(max_size=30).map(lambda b: b.replace(b"\n", b"")),
)
def test_every_octet_is_accounted_for(
    tmp_path: Path, lines: list[bytes], tail: bytes
) -> None:
    """Records, damage and tail together are the file, octet for octet, in order."""
    octets = b"".join(lines) + tail
    log = read_log(log_of(tmp_path, octets))
    assert log.records == [RECORDS[LINES.index(x)] for x in lines if x in LINES]
    assert [bad for _, bad in log.damaged] == [x[:-1] for x in lines if x not in LINES]
    for place, bad in log.damaged:
        assert octets[place : place + len(bad)] == bad
    assert log.torn == ((len(octets) - len(tail), len(tail)) if tail else None)


def test_no_log(tmp_path: Path) -> None:
    """A log that is not there is not an empty log; a folder's absence says so too."""
    with pytest.raises(LedgerError, match=r"no such log @ .*intervals.log"):
        read_log(tmp_path / "intervals.log")
    with pytest.raises(LedgerError, match="ledger cannot be read: No such file"):
        read_log(tmp_path / "ebb" / "intervals.log")
    with pytest.raises(LedgerError, match=r"not the folder of a run, expected run"):
        read_run(tmp_path)


def test_newer_format(tmp_path: Path) -> None:
    """A newer ledger is refused with its version, and left as it is."""
    path = log_of(tmp_path, LINES[0] + LINES[1][:9])
    (tmp_path / "run.json").write_text('{"ledger": 2, "seed": 1}')
    before = {entry: entry.read_bytes() for entry in tmp_path.iterdir()}
    expected = "ledger of a newer format: 2, expected at most 1 @ .*update nightbench"
    for read in (lambda: read_log(path), lambda: read_run(tmp_path)):
        with pytest.raises(LedgerError, match=expected):
            read()
    assert {entry: entry.read_bytes() for entry in tmp_path.iterdir()} == before


@pytest.mark.parametrize(
    "facts", ["", "{", "[]", "{}", '{"ledger":true}', '{"ledger":0}']
)
def test_damaged_facts(tmp_path: Path, facts: str) -> None:
    """A version that cannot be read is not guessed."""
    (tmp_path / "run.json").write_text(facts)
    with pytest.raises(LedgerError, match=r"run facts damaged @ .*run.json"):
        read_run(tmp_path)


def test_faults_of_a_folder(tmp_path: Path) -> None:
    """A folder opens whatever is wrong with it, and says all of it."""
    (tmp_path / "run.json").write_text(
        json.dumps({"ledger": 1, "profile_sha256": "of another one"})
    )
    (tmp_path / "profile.toml").write_text("profile = 1\n")
    (tmp_path / "verdict.json").write_text('{"verdict": "PA')
    log_of(tmp_path, LINES[0], None, b"?\n" + LINES[1] + b"torn")
    run = read_run(tmp_path)
    assert run.intervals.records == RECORDS[:2]
    assert run.anomalies == LogRead()
    assert run.verdict is None
    assert run.profile_text == "profile = 1\n"
    third = tmp_path / "intervals.0003.log"
    assert [str(fault) for fault in run.faults] == [
        f"resolved profile was changed @ {tmp_path / 'profile.toml'}",
        f"verdict damaged @ {tmp_path / 'verdict.json'}",
        f"segment missing: intervals.0002.log @ {tmp_path / 'intervals.log'}",
        f"damaged line: 1 octets @ {third}, octet 0",
        f"torn last line: 4 octets @ {third}, octet {2 + len(LINES[1])}",
    ]
