"""The ledger of a run: its folder, its logs in segments, its end."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.base.errors import ExitCode, LedgerError, UsageError
from bench.ledger import Ledger, LedgerOptions, read_log, read_run
from bench.ledger.lines import line_of

if TYPE_CHECKING:
    from pathlib import Path

WHEN = "20261125T024440Z"
RUN: dict[str, Any] = {
    "seed": 7,
    "point": {"bus.baud": "5 Mbaud"},
    "rig": {"host": "quay", "versions": {"nightbench": "0.1"}},
    "dut": {"serial": "17", "revision": "C", "firmware": None, "operator": "Ada"},
}
PROFILE = 'profile = 1\nname = "causeway"\nsummary = "Geländerlichter"\n'


def begin(root: Path, **options: Any) -> Ledger:
    """A ledger like any other."""
    return Ledger.create(root, WHEN, "soak", RUN, PROFILE, LedgerOptions(**options))


def test_a_whole_run(tmp_path: Path) -> None:
    """What was given is what is read, and nothing else lies in the folder."""
    with begin(tmp_path / "logs") as ledger:
        ledger.interval({"n": 1, "sent": 400})
        ledger.anomaly({"n": 1, "what": "stray", "octets": "A55A01"})
        ledger.sync()
        ledger.interval({"n": 2, "sent": 400})
        ledger.verdict({"verdict": "FAIL", "stray": 1})
        ledger.report("FAIL: 1 stray\n")
    assert ledger.folder == tmp_path / "logs" / f"{WHEN}-soak"
    run = read_run(ledger.folder)
    assert run.faults == ()
    assert run.intervals.records == [{"n": 1, "sent": 400}, {"n": 2, "sent": 400}]
    assert run.anomalies.records == [{"n": 1, "what": "stray", "octets": "A55A01"}]
    assert run.verdict == {"verdict": "FAIL", "stray": 1}
    assert run.profile_text == PROFILE
    assert run.run == RUN | {
        "ledger": 1,
        "when": WHEN,
        "what": "soak",
        "profile_sha256": hashlib.sha256(PROFILE.encode()).hexdigest(),
    }
    assert sorted(entry.name for entry in ledger.folder.iterdir()) == [
        "anomalies.log",
        "intervals.log",
        "profile.toml",
        "report.txt",
        "run.json",
        "verdict.json",
    ]
    assert (ledger.failed, ledger.unwritten) == (None, 0)


def test_no_record_no_log(tmp_path: Path) -> None:
    """A log appears with its first record; a run without any opens all the same."""
    with begin(tmp_path) as ledger:
        pass
    assert sorted(entry.name for entry in ledger.folder.iterdir()) == [
        "profile.toml",
        "run.json",
    ]
    run = read_run(ledger.folder)
    assert (run.intervals.records, run.verdict, run.faults) == ([], None, ())


def test_same_second(tmp_path: Path) -> None:
    """Runs of the same second have folders of their own."""
    names = [begin(tmp_path).folder.name for _ in range(3)]
    assert names == [f"{WHEN}-soak", f"{WHEN}-soak-2", f"{WHEN}-soak-3"]


@pytest.mark.parametrize(
    ("when", "what"),
    [
        ("2026-11-25", "soak"),
        (WHEN + "\n", "soak"),
        (WHEN, ""),
        (WHEN, "../soak"),
        (WHEN, "Soak"),
        (WHEN, "s" * 65),
    ],
)
def test_unsuitable_names(tmp_path: Path, when: str, what: str) -> None:
    """A name that does not suit a folder is refused before anything is made."""
    with pytest.raises(UsageError, match="does not suit a folder"):
        Ledger.create(tmp_path / "logs", when, what, RUN, PROFILE)
    assert list(tmp_path.iterdir()) == []


def test_facts_left_out(tmp_path: Path) -> None:
    """Every run states its seed, point, rig and device."""
    with pytest.raises(ValueError, match="left out: dut, seed"):
        Ledger.create(tmp_path, WHEN, "soak", {"rig": {}, "point": {}}, PROFILE)


def test_nowhere_to_begin(tmp_path: Path) -> None:
    """A ledger that cannot be begun is refused, whatever the policy on failures."""
    (tmp_path / "logs").write_text("a file where the folder should be")
    with pytest.raises(
        LedgerError, match="ledger cannot be begun: File exists"
    ) as info:
        begin(tmp_path / "logs", on_failure="continue")
    assert info.value.exit_code == ExitCode.LEDGER == 5


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    st.lists(st.integers(0, 90).map(lambda n: {"pad": "x" * n}), min_size=1),
    st.integers(1, 300),
)
def test_segments(tmp_path: Path, records: list[dict[str, str]], most: int) -> None:
    """No segment is empty or, with more than one record, past its size; order holds."""
    with begin(tmp_path, segment_octets=most) as ledger:
        for record in records:
            ledger.interval(record)
    log = read_log(ledger.folder / "intervals.log")
    assert log.records == records
    for name, octets in log.segments:
        lines = (ledger.folder / name).read_bytes().splitlines()
        assert len(lines) == 1 or 0 < octets <= most
    sizes = [octets for _, octets in log.segments]
    firsts = [
        (ledger.folder / name).read_bytes().index(b"\n") + 1 for name, _ in log.segments
    ]
    assert all(
        size + first > most for size, first in zip(sizes, firsts[1:], strict=False)
    )


def test_closed_segment_is_left_alone(tmp_path: Path) -> None:
    """A segment that was closed is not opened again by what follows."""
    with begin(tmp_path, segment_octets=100) as ledger:
        ledger.interval({"pad": "x" * 60})
        ledger.interval({"pad": "y" * 60})
        first = ledger.folder / "intervals.log"
        first.chmod(0o444)
        before = (first.read_bytes(), first.stat().st_mtime_ns, first.stat().st_ino)
        for _ in range(4):
            ledger.interval({"pad": "z" * 60})
        assert before == (
            first.read_bytes(),
            first.stat().st_mtime_ns,
            first.stat().st_ino,
        )


def test_a_record_is_on_its_way_at_once(tmp_path: Path) -> None:
    """A record can be read by another as soon as it was given, synced or not."""
    ledger = begin(tmp_path)
    for n in range(3):
        ledger.interval({"n": n})
        assert len(read_log(ledger.folder / "intervals.log").records) == n + 1
    ledger.close()


def test_one_verdict(tmp_path: Path) -> None:
    """A run has one verdict; its report may be written again."""
    with begin(tmp_path) as ledger:
        ledger.verdict({"verdict": "PASS"})
        with pytest.raises(ValueError, match="one verdict"):
            ledger.verdict({"verdict": "FAIL"})
        ledger.report("first")
        ledger.report("second")
    assert read_run(ledger.folder).verdict == {"verdict": "PASS"}
    assert (ledger.folder / "report.txt").read_text() == "second"


def test_refused_record_leaves_no_trace(tmp_path: Path) -> None:
    """A record that is no JSON is the caller's mistake, not the ledger's failure."""
    with begin(tmp_path) as ledger:
        ledger.interval({"n": 1})
        with pytest.raises(ValueError, match="JSON compliant"):
            ledger.interval({"n": float("nan")})
        ledger.interval({"n": 2})
    assert ledger.failed is None
    assert [r["n"] for r in read_log(ledger.folder / "intervals.log").records] == [1, 2]


def test_closed_ledger(tmp_path: Path) -> None:
    """A closed ledger takes no record; closing again is no error."""
    ledger = begin(tmp_path)
    ledger.close()
    ledger.close()
    with pytest.raises(ValueError, match="closed"):
        ledger.interval({})


def test_resume(tmp_path: Path) -> None:
    """A run without a verdict goes on where it was, in both logs."""
    with begin(tmp_path, segment_octets=100) as ledger:
        for n in range(5):
            ledger.interval({"n": n, "pad": "x" * 30})
        ledger.anomaly({"n": 0})
    with Ledger.resume(ledger.folder, LedgerOptions(segment_octets=100)) as again:
        again.interval({"n": 5})
        again.anomaly({"n": 1})
        again.verdict({"verdict": "PASS"})
    run = read_run(ledger.folder)
    assert [record["n"] for record in run.intervals.records] == [0, 1, 2, 3, 4, 5]
    assert [record["n"] for record in run.anomalies.records] == [0, 1]
    assert run.faults == ()
    with pytest.raises(LedgerError, match=r"run has ended @ .*begin a new run"):
        Ledger.resume(ledger.folder)


def test_resume_starts_a_segment_where_the_last_is_full(tmp_path: Path) -> None:
    """Resuming a full, torn segment leaves it as it is and begins the next one."""
    with begin(tmp_path) as ledger:
        ledger.interval({"n": 0})
    first = ledger.folder / "intervals.log"
    torn = first.read_bytes() + line_of({"n": 1})[:-4]
    first.write_bytes(torn)
    with Ledger.resume(ledger.folder, LedgerOptions(segment_octets=40)) as again:
        again.interval({"n": 1})
    assert first.read_bytes() == torn
    log = read_log(first)
    assert [record["n"] for record in log.records] == [0, 1]
    assert [len(octets) for _, octets in log.damaged] == [len(line_of({"n": 1})) - 4]


def test_resume_of_a_newer_format(tmp_path: Path) -> None:
    """A ledger of a newer format is not opened for appending."""
    with begin(tmp_path) as ledger:
        ledger.interval({"n": 0})
    facts = ledger.folder / "run.json"
    facts.write_text(json.dumps(json.loads(facts.read_text()) | {"ledger": 2}))
    before = (ledger.folder / "intervals.log").read_bytes()
    with pytest.raises(LedgerError, match="newer format"):
        Ledger.resume(ledger.folder)
    assert (ledger.folder / "intervals.log").read_bytes() == before
