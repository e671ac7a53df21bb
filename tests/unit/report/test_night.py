"""The report of a run as a document: what it says, and what it does not invent."""

from __future__ import annotations

import json
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

import pytest
from page.invented import edge_ledger, night_ledger, run_facts, sweep_ledger

from bench import api
from bench.api_report import FORMS, made, write_report
from bench.base.errors import LedgerError, UsageError
from bench.ledger import Ledger, read_run
from bench.ledger.digest import ledger_digest, members
from bench.profile import to_toml
from bench.report.formats.markdown import markdown
from bench.report.night import night
from bench.report.night.blocks import Chart, Fold, Grid
from bench.report.night.course import MOST_DRAWN, Course, course_of, events_of
from bench.report.night.reading import clock

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from bench.report.night.blocks import Block, Night

S = 1_000_000_000
WHEN = "20261124T190000Z"


def told(folder: Path, *, profile: bool = True) -> Night:
    """The report of a run."""
    kept = api.load_profile("causeway") if profile else None
    return night(read_run(folder), kept, "digest", "0")


def blocks_of(blocks: Sequence[Block]) -> Iterator[Block]:
    """Every block, those in folds too."""
    for block in blocks:
        yield block
        if isinstance(block, Fold):
            yield from blocks_of(block.blocks)


def grid(report: Night, what: str) -> Grid:
    """A table by its caption."""
    for chapter in report.chapters:
        for block in blocks_of(chapter.blocks):
            if isinstance(block, Grid) and block.what == what:
                return block
    raise AssertionError(f"no table {what}")


def charts(report: Night) -> dict[str, Chart]:
    """Every drawing by its name."""
    return {
        block.name: block
        for chapter in report.chapters
        for block in blocks_of(chapter.blocks)
        if isinstance(block, Chart)
    }


def begun(root: Path, what: str = "stream") -> Ledger:
    """The ledger of a run that has only begun."""
    profile = api.load_profile("causeway")
    return Ledger.create(root, WHEN, what, run_facts(profile, 7), to_toml(profile))


def interval(k: int, **more: Any) -> dict[str, Any]:
    """One interval of ten seconds."""
    packets = {"offered": 800, "shown": 800, "lost": 0, "corrupt": 0, "stray": 0}
    own = {"from_ns": 10 * k * S, "to_ns": 10 * (k + 1) * S, "packets": packets}
    return own | more


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The ledger of an hour with a bit of everything."""
    return night_ledger(tmp_path_factory.mktemp("logs"), hours=1, anomalies=300)


# --- what it says ---------------------------------------------------------------------


def test_the_opening_says_how_sure(folder: Path) -> None:
    """Verdict, reason, confidence and what was not observable, in that order."""
    opening = told(folder).opening
    verdict = read_run(folder).verdict
    assert verdict is not None
    assert (opening.word, opening.role) == ("FAIL", "bad")
    assert opening.sentence == verdict["reason"]
    facts = dict(opening.facts)
    assert f"({verdict['loss_upper']:.3g})" in facts["How sure"]
    assert facts["Not observable"] == "marginal pulses, latch gaps"
    assert "void, for the host spoilt them" in facts["Worth"]


def test_the_table_adds_up(folder: Path) -> None:
    """What stands in the table of the ribbon comes to what the log holds."""
    report = told(folder)
    chart = charts(report)["ribbon"]
    table = next(
        block
        for chapter in report.chapters
        for block in blocks_of(chapter.blocks)
        if isinstance(block, Grid) and block.what.startswith("The run in steps")
    )
    records = [row for row in read_run(folder).intervals.records if "event" not in row]

    def cells(column: int) -> int:
        texts = [str(row[column].text).replace("\u00a0", "") for row in table.rows]
        return sum(int(text) for text in texts if text.isdigit())

    valid = [row for row in records if not row["health"]["void"]]
    offered = sum(row["packets"]["offered"] for row in records)
    lost = sum(row["packets"]["lost"] + row["packets"]["corrupt"] for row in valid)
    assert (cells(1), cells(3)) == (offered, lost)
    assert f"{lost} packets not shown as sent" in chart.summary


def test_void_says_nothing_of_loss_but_is_blamed() -> None:
    """A void interval hides its losses and not what no host can have caused."""
    health = {"void": ["the host slept"]}
    packets = {"offered": 800, "shown": 700, "lost": 98, "corrupt": 2, "stray": 0}
    course = course_of([interval(0), interval(1, packets=packets, health=health)])
    assert isinstance(course, Course)
    assert course.void.tolist() == [False, True]
    assert course.unshown.tolist()[0] == 0
    assert course.unshown[1] != course.unshown[1], "not a number"
    assert course.blamed.tolist() == [0, 2]


def test_a_long_course_is_grouped() -> None:
    """More intervals than can be drawn are told in groups that lose nothing."""
    number = 2 * MOST_DRAWN + 7
    course = course_of([interval(k, upper=1 / (k + 1)) for k in range(number)])
    assert course is not None
    drawn = course.drawn()
    assert len(drawn) <= MOST_DRAWN
    assert drawn.columns["offered"].sum() == 800 * number
    assert (drawn.from_s[0], drawn.to_s[-1]) == (0, 10 * number)
    assert drawn.grouped == 3


def test_events_are_told_and_routine_is_not() -> None:
    """What happened is told with its length; that a stretch began is no news."""
    records = [
        {"event": "stretch began", "from_ns": 0, "to_ns": 0, "text": ""},
        {"event": "paused", "from_ns": 5 * S, "to_ns": 5 * S, "lasted_ns": 3 * S},
        {"event": "silence", "from_ns": 6 * S, "to_ns": 8 * S, "text": "for 2 s"},
    ]
    found = [
        (one.what, one.from_s, one.to_s, one.lasted_s) for one in events_of(records)
    ]
    assert found == [("paused", 5, 5, 3), ("silence", 6, 8, 2)]


def test_anomalies_show_what_differs(folder: Path) -> None:
    """The extra clock and the shifted octets are marked, lane by lane."""
    report = told(folder)
    fields = {str(row[0]): row for row in grid(report, "Fields").rows}
    assert fields["clocks in the burst"][2] == ("3841", "bad")
    lanes = grid(report, "Payload, lane by lane")
    assert [row[0].text for row in lanes.rows] == [f"lane {k}" for k in range(8)]
    # A shift by one bit to the right, of the octets that were drawn for the payload.
    row = next(row for row in read_run(folder).anomalies.records if row["seen"])
    sent, seen = bytes.fromhex(row["expected"]), bytes.fromhex(row["seen"])
    assert seen[1] == (sent[0] << 7 | sent[1] >> 1) & 0xFF
    assert lanes.rows[0][3] == f"0: {sent[:4].hex(' ').upper()}"
    assert lanes.rows[0][4].text == f"0: {seen[:4].hex(' ').upper()}"


def test_the_budget_stands_beside_what_was_measured(folder: Path) -> None:
    """What passes its bound is marked; what nobody saw is not observable."""
    table = grid(told(folder), "Bounds, and what was measured")
    rows = {row[0].text: row for row in table.rows}
    assert rows["shown"][2].role == "bad"
    assert rows["latch gap"][2].text == "not observable"


def test_searches_have_their_drawings(tmp_path: Path) -> None:
    """A sweep has a map and an edge a trace; neither has a ribbon."""
    assert set(charts(told(sweep_ledger(tmp_path)))) == {"map"}
    assert set(charts(told(edge_ledger(tmp_path)))) == {"trace"}


def test_the_digest_is_sha256sum_s(folder: Path) -> None:
    """`sha256sum` of the files, and of what it prints, comes to the same."""
    import shutil
    import subprocess

    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum here")
    stored = read_run(folder)
    names = members(stored)
    assert names == sorted(names)
    listed = subprocess.run([tool, *names], cwd=folder, capture_output=True, check=True)
    whole = subprocess.run([tool], input=listed.stdout, capture_output=True, check=True)
    assert whole.stdout.split()[0].decode() == ledger_digest(stored)


def test_moments_are_read_as_times() -> None:
    """From the start, hours first; parts of a second only where there are any."""
    assert clock(0) == "0:00:00"
    assert clock(3_723 * S) == "1:02:03"
    assert clock(S + 500_000) == "0:00:01.0005"
    assert clock(100 * 3600 * S) == "100:00:00"


# --- what it does not invent ----------------------------------------------------------


def test_an_empty_run_says_so(tmp_path: Path) -> None:
    """A run that was killed at once has no verdict, no figures, and every form."""
    with begun(tmp_path) as ledger:
        folder = ledger.folder
    opening = told(folder).opening
    assert opening.word == "NO VERDICT"
    assert opening.sentence.startswith("the run is empty")
    assert opening.figures == ()
    absent = set() if find_spec("pyarrow") else {"parquet"}
    for form in set(FORMS) - absent:
        assert made(folder, form)


def test_a_run_without_an_end_is_summed_up(tmp_path: Path) -> None:
    """What is known is told as counts, and called no verdict."""
    with begun(tmp_path, "soak") as ledger:
        for k in range(5):
            ledger.interval(interval(k))
        folder = ledger.folder
    opening = told(folder).opening
    assert opening.word == "NO VERDICT"
    assert {label: text for label, text, _ in opening.figures}["shown"] == "4000"
    assert set(charts(told(folder))) == {"ribbon"}


def test_nothing_observed_is_no_zero(tmp_path: Path) -> None:
    """Where nobody could see what was shown, no count of losses is made up."""
    blind = dict.fromkeys(("shown", "lost", "corrupt", "stray", "late"))
    reason = "what the nodes show is not observable on this link"
    with begun(tmp_path) as ledger:
        for k in range(4):
            ledger.interval(interval(k, packets={"offered": 800, **blind}))
        ledger.verdict(
            {
                "verdict": "VOID",
                "reason": reason,
                "void": [reason],
                "not_observable": ["what is shown", "wrong data", "latency"],
                "packets": {"offered": 3200, **blind},
                "bursts": dict.fromkeys(("count", "wrong_clocks", "short_gaps")),
                "latency_ns": {"shown": None, "first_bit": None},
                "loss": {"n": 3200, "rate": None, "upper": None, "confidence": 0.95},
                "nodes": [{"name": "ebb", "observed": False}],
            }
        )
        folder = ledger.folder
    report = told(folder)
    figures = {label: text for label, text, _ in report.opening.figures}
    assert figures["lost"] == figures["shown"] == "not observable"
    assert "not zero" in dict(report.opening.facts)["How sure"]
    row = grid(report, "Packets, by node").rows[-1]
    assert [cell.text for cell in row[1:]] == ["3200", *"–––––"]
    assert (
        "what became of the packets is not observable"
        in charts(report)["ribbon"].summary
    )
    table = made(folder, "csv").decode().splitlines()
    values = dict(zip(table[0].split(","), table[1].split(","), strict=True))
    assert (values["offered"], values["shown"], values["lost"]) == ("800", "", "")
    assert json.loads(made(folder, "json"))["verdict"]["packets"]["lost"] is None


def test_damage_is_counted_and_the_rest_is_told(folder: Path, tmp_path: Path) -> None:
    """A flipped bit and a cut tail cost two records; the others stand."""
    import shutil

    copy = tmp_path / folder.name
    shutil.copytree(folder, copy)
    log = copy / "intervals.log"
    octets = bytearray(log.read_bytes())
    octets[1000] ^= 4
    log.write_bytes(octets[:-200])
    before, after = (len(read_run(one).intervals.records) for one in (folder, copy))
    assert after == before - 2
    text = markdown(told(copy))
    assert "1 lines damaged; the last line is torn" in text
    assert "What is wrong with the ledger" in text
    assert "FAIL" in text.splitlines()[0]
    assert json.loads(made(copy, "json"))["logs"]["intervals"]["damaged_lines"] == 1


def test_a_damaged_verdict_is_no_verdict(folder: Path, tmp_path: Path) -> None:
    """Half a verdict is not guessed at."""
    import shutil

    copy = tmp_path / folder.name
    shutil.copytree(folder, copy)
    whole = (copy / "verdict.json").read_bytes()
    (copy / "verdict.json").write_bytes(whole[: len(whole) // 2])
    assert told(copy).opening.word == "NO VERDICT"


@pytest.mark.parametrize("form", list(FORMS))
def test_a_newer_ledger_is_left_alone(folder: Path, tmp_path: Path, form: Any) -> None:
    """It is said, and nothing in the folder is touched."""
    import shutil

    copy = tmp_path / folder.name
    shutil.copytree(folder, copy)
    run = json.loads((copy / "run.json").read_text())
    (copy / "run.json").write_text(json.dumps(run | {"ledger": 99}))
    before = {path.name: path.stat().st_mtime_ns for path in copy.iterdir()}
    with pytest.raises(LedgerError, match="ledger of a newer format: 99"):
        write_report(copy, form)
    assert {path.name: path.stat().st_mtime_ns for path in copy.iterdir()} == before


def test_no_run_and_no_form(tmp_path: Path) -> None:
    """Another folder is no run, and another word no form."""
    with pytest.raises(LedgerError, match="not the folder of a run"):
        write_report(tmp_path)
    with pytest.raises(UsageError, match="no such form: pdf, expected page or md"):
        made(tmp_path, "pdf")


def test_a_real_run_on_the_simulated_nodes(tmp_path: Path) -> None:
    """A trial that fails on one clock too many has a page that says so."""
    profile = api.load_profile("causeway", ["output.clock=2 MHz"])
    result = api.stream(profile, packets=40, seed=7, logs=tmp_path)
    path = write_report(result.run)
    page = path.read_text("utf-8")
    assert path.name == "report.html"
    assert result.reason in page
    assert "1 too many" in page
    assert f"nightbench replay {result.run} --anomaly 1<" in page
    assert f"{3841}" in page


def test_without_the_plotting_library(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page says what it lacks and what to do; every other form does without."""
    import sys

    for name in [name for name in sys.modules if name.split(".")[0] == "plotly"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "plotly", None)
    with pytest.raises(UsageError, match=r"not installed: plotly .*nightbench\[page"):
        made(folder, "page")
    assert made(folder, "md").startswith(b"# FAIL")
