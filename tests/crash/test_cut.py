"""A log cut at every octet, and with every bit flipped: what is whole is read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from crash import night

from bench.ledger import Ledger, LogRead, read_log
from bench.ledger.files import DISK
from bench.ledger.lines import line_of

CASES = Path(__file__).parents[1] / "cases"
RECORDS = [{"n": n, "sent": n * 400, "note": "Ebbe – Flut"} for n in range(3)]
LINES = [line_of(record) for record in RECORDS]
LOG = b"".join(LINES)
STARTS = [sum(map(len, LINES[:n])) for n in range(len(LINES) + 1)]


@pytest.fixture
def log(tmp_path: Path) -> Path:
    """Where the log lies."""
    return tmp_path / "intervals.log"


def whole_in(octets: int) -> int:
    """Records whose line, newline left out, lies in the first octets of the log."""
    return sum(start - 1 <= octets for start in STARTS[1:])


def test_cut_anywhere(log: Path) -> None:
    """A log cut after any octet gives every whole record and the place of the tear."""
    for octets in range(len(LOG) + 1):
        log.write_bytes(LOG[:octets])
        whole = whole_in(octets)
        rest = octets - STARTS[whole]
        assert read_log(log) == LogRead(
            RECORDS[:whole],
            torn=(STARTS[whole], rest) if rest > 0 else None,
            segments=[(log.name, octets)],
        )


def test_every_flipped_bit(log: Path) -> None:
    """A flipped bit costs the line that it is in, is noticed, and nothing is invented.

    Flipped in a newline, it costs the two lines that have become one.
    """
    for octet in range(len(LOG)):
        for bit in range(8):
            bad = bytearray(LOG)
            bad[octet] ^= 1 << bit
            log.write_bytes(bad)
            line = sum(start <= octet for start in STARTS) - 1
            lost = {line, line + 1} if LOG[octet] == 0x0A else {line}
            found = read_log(log)
            assert found.records == [r for r in RECORDS if r["n"] not in lost]
            assert found.damaged or found.torn
            for place, octets in found.damaged:
                assert bad[place : place + len(octets)] == octets


def resumed(folder: Path, *records: dict[str, object]) -> LogRead:
    """The interval log of a run that was resumed for more records."""
    with Ledger.resume(folder) as ledger:
        for record in records:
            ledger.interval(record)
    return read_log(folder / "intervals.log")


def test_resume_after_any_cut(tmp_path: Path) -> None:
    """A resumed log keeps every octet, and the new record is never glued to a tear."""
    for octets in range(1, len(LOG) + 1, 3):
        with night.begin(tmp_path, DISK) as ledger:
            path = ledger.folder / "intervals.log"
        path.write_bytes(LOG[:octets])
        before = read_log(path)
        after = resumed(ledger.folder, {"n": 98}, {"n": 99})
        assert path.read_bytes().startswith(LOG[:octets])
        assert after.records == [*before.records, {"n": 98}, {"n": 99}]
        assert [place for place, _ in after.damaged] == (
            [before.torn[0]] if before.torn else []
        )
        assert after.torn is None


def test_tear_inside_a_character(tmp_path: Path) -> None:
    """The tear of the case file in our own format: 6 good, 1 damaged, octets kept.

    The case: 5 records of plain JSON lines, then 43 octets at 197 that end after the
    first octet of a two-octet character.
    """
    case = (CASES / "A14_torn_tail.jsonl").read_bytes()
    *whole, tail = case.split(b"\n")
    records = [json.loads(line) for line in whole]
    assert [record["seq"] for record in records] == [0, 1, 2, 3, 4]
    with night.begin(tmp_path, DISK) as ledger:
        path = ledger.folder / "intervals.log"
    good = b"".join(map(line_of, records))
    path.write_bytes(good + tail)

    log = read_log(path)
    assert (log.records, log.damaged) == (records, [])
    assert log.torn == (len(good), 43)

    log = resumed(ledger.folder, {"seq": 5})
    assert log.records == [*records, {"seq": 5}]
    assert log.damaged == [(len(good), tail)]
    assert tail.endswith(b"\xc2")
    assert path.read_bytes() == good + tail + b"\n" + line_of({"seq": 5})


def test_foreign_lines_are_damage() -> None:
    """The case file itself: no line of it has a check, and its tail is where it is."""
    log = read_log(CASES / "A14_torn_tail.jsonl")
    assert log.records == []
    assert [octets[:8] for _, octets in log.damaged] == [
        b'{"seq":%d' % n for n in range(5)
    ]
    assert log.torn == (197, 43)
