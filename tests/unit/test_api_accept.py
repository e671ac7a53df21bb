"""Acceptances: in order, kept, gone on with, stopped, and lost."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from bench.api import StreamResult
from bench.api_accept import accept, load_plan
from bench.api_accept.steps import Doer, _copy_cases
from bench.base.errors import ExitCode, LedgerError, LinkError, UsageError
from bench.judge.verdict import Outcome
from bench.ledger import read_run
from bench.trial.accept.judged import Judged

PLAN = """
plan = 1
name = "three"

[[step]]
name = "one"
kind = "stream"
for = "1 s"

[[step]]
name = "two"
kind = "stream"
set = ["traffic.frame_rate=10 Hz"]
for = "1 s"

[[step]]
name = "night"
kind = "soak"
for = "20 s"
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    """The plan's file."""
    path = tmp_path / "three.toml"
    path.write_text(PLAN)
    return path


class Fake:
    """Carries steps out by saying what came of them."""

    def __init__(self, tmp_path: Path, **said: Any) -> None:
        self.folder = tmp_path
        self.said = said
        self.carried: list[str] = []
        self.nights: list[Path | None] = []

    def __call__(
        self, doer: Doer, task: Any, watcher: Any, begun: Path | None
    ) -> tuple[StreamResult, Judged]:
        """In the place of `Doer.carry`."""
        name = task.step.name
        self.carried.append(name)
        self.nights.append(begun)
        run = self.folder / f"run-{name}"
        watcher.begun(run)
        said = self.said.get(name, "PASS")
        if isinstance(said, Exception):
            raise said
        exit_code, signal = (ExitCode.LINK, None) if said == "LOST" else (0, None)
        if said == "SIGNAL":
            exit_code, signal = 130, 2
        figures = {"trial_ns": 10, "characters": 5}
        result = StreamResult(
            "PASS", "", int(exit_code), signal, doer.seed, run, figures, {}
        )
        outcome = Outcome[said] if said in Outcome.__members__ else Outcome.VOID
        return result, Judged(outcome, f"{name} was so", "r", "m", 2.0)


@pytest.fixture
def fake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Puts a fake in the place of whoever carries steps out."""

    def put(**said: Any) -> Fake:
        made = Fake(tmp_path, **said)

        def carry(doer: Doer, *words: Any) -> Any:
            return made(doer, *words)

        monkeypatch.setattr(Doer, "carry", carry)
        return made

    return put


def run_of(logs: Path) -> Path:
    """The folder of the acceptance."""
    (folder,) = logs.glob("*-accept")
    return folder


def test_kept(plan: Path, tmp_path: Path, fake: Any) -> None:
    """Every step is in the ledger with its run; plan and device are known by digest."""
    made = fake()
    logs = tmp_path / "logs"
    dut = {"serial": "17", "firmware": "sha256:ab"}
    result = accept("causeway", plan, seed=3, logs=logs, dut=dut)
    assert (result.verdict, result.exit_code) == ("PASS", 0)
    assert made.carried == ["one", "two", "night"]
    stored = read_run(run_of(logs))
    assert stored.faults == ()
    assert stored.verdict == result.as_dict()
    steps = result.figures["accept"]["steps"]
    assert [step["name"] for step in steps] == made.carried
    assert [Path(step["run"]).name for step in steps] == [
        "run-one",
        "run-two",
        "run-night",
    ]
    assert result.figures["accept"]["plan_sha256"] == load_plan(plan).digest
    assert stored.run["dut"]["firmware"] == "sha256:ab"
    assert (run_of(logs) / "plan.toml").read_text() == PLAN
    events = [one["text"] for one in stored.intervals.records if "event" in one]
    assert events == made.carried
    report = (run_of(logs) / "report.txt").read_text()
    assert "firmware sha256:ab, serial 17" in report
    assert load_plan(plan).digest[:16] in report


def test_failures(plan: Path, tmp_path: Path, fake: Any) -> None:
    """A step that fails does not keep the others from being tried."""
    made = fake(one="FAIL", two="VOID")
    result = accept("causeway", plan, logs=tmp_path / "logs")
    assert made.carried == ["one", "two", "night"]
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    assert result.reason == "one: one was so"
    assert result.figures["void"] == ["two: two was so"]


@pytest.mark.parametrize("how", ["SIGNAL", "LOST", LinkError("link lost"), OSError()])
def test_gone_on_with(plan: Path, tmp_path: Path, fake: Any, how: Any) -> None:
    """Whatever broke it off, what is done stays done, and the rest is tried."""
    logs = tmp_path / "logs"
    fake(two=how)
    if isinstance(how, Exception):
        with pytest.raises(type(how)):
            accept("causeway", plan, seed=3, logs=logs)
    else:
        result = accept("causeway", plan, seed=3, logs=logs)
        assert result.figures["verdict"] == "VOID"
        if how == "LOST":
            assert result.exit_code == ExitCode.LINK
    folder = run_of(logs)
    assert read_run(folder).verdict is None
    again = fake()
    result = accept("causeway", plan, seed=99, logs=logs, resume=folder)
    assert again.carried == ["two", "night"]
    assert (result.verdict, result.seed, result.run) == ("PASS", 3, folder)
    assert [one["name"] for one in result.figures["accept"]["steps"]] == [
        "one",
        "two",
        "night",
    ]
    with pytest.raises(LedgerError, match="run has ended"):
        accept("causeway", plan, logs=logs, resume=folder)


def test_a_torn_step_is_done_again(plan: Path, tmp_path: Path, fake: Any) -> None:
    """A step whose record was cut off is not believed."""
    logs = tmp_path / "logs"
    fake(night="SIGNAL")
    accept("causeway", plan, logs=logs)
    log = run_of(logs) / "intervals.log"
    octets = log.read_bytes()
    cut = octets.index(b'"name":"two"')
    log.write_bytes(octets[:cut])
    again = fake()
    result = accept("causeway", plan, logs=logs, resume=run_of(logs))
    assert again.carried == ["two", "night"]
    assert result.verdict == "PASS"


def test_only_the_same_is_gone_on_with(plan: Path, tmp_path: Path, fake: Any) -> None:
    """Another plan, profile or device is refused in one line, and nothing is tried."""
    logs = tmp_path / "logs"
    fake(two="SIGNAL")
    accept("causeway", plan, logs=logs, dut={"serial": "17"})
    folder = run_of(logs)
    made = fake()
    other = tmp_path / "other.toml"
    other.write_text(PLAN + "\n")
    for words, more, message in (
        (("causeway", other), {}, "begun with another plan: .* @ --resume"),
        (("jetty", plan), {}, "begun with another profile: .* @ --resume"),
        (
            ("causeway", plan),
            {"dut": {"serial": "18"}},
            "begun with another dut serial: 18, expected 17 @ --resume",
        ),
        (
            ("causeway", plan),
            {"overrides": ["output.clock=300 kHz"]},
            "another profile",
        ),
    ):
        with pytest.raises(UsageError, match=message):
            accept(*words, logs=logs, resume=folder, **more)
    assert made.carried == []
    with pytest.raises(LedgerError, match="not the folder of a run"):
        accept("causeway", plan, logs=logs, resume=tmp_path)


def test_a_night_goes_on_in_its_ledger(
    plan: Path, tmp_path: Path, fake: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A night that was broken off is handed its own run, unless that has ended."""
    from bench.api_accept import acceptance

    logs = tmp_path / "logs"
    fake(night="SIGNAL")
    accept("causeway", plan, logs=logs)
    folder, night = run_of(logs), tmp_path / "run-night"
    real = read_run

    def reading(verdict: Any) -> Any:
        def read(asked: Path) -> Any:
            if asked != night:
                return real(asked)
            return type("Stored", (), {"verdict": verdict})()

        return read

    monkeypatch.setattr(acceptance, "read_run", reading(None))
    again = fake(night="SIGNAL")
    accept("causeway", plan, logs=logs, resume=folder)
    assert (again.carried, again.nights) == (["night"], [night])
    monkeypatch.setattr(acceptance, "read_run", reading({"verdict": "PASS"}))
    again = fake()
    accept("causeway", plan, logs=logs, resume=folder)
    assert again.nights == [None]


def test_faults_on_a_profile(tmp_path: Path) -> None:
    """What only shows on a profile is told before anything is tried, all at once."""
    path = tmp_path / "bad.toml"
    path.write_text(
        PLAN.replace("traffic.frame_rate=10 Hz", "traffic.frame_rat=10 Hz")
        + """
[[step]]
name = "edge"
kind = "edge"
vary = "output.clok"
to = "2 MHz"
margin = 2

[[step]]
name = "short"
kind = "edge"
vary = "output.clock"
to = "300 kHz"
margin = 1.5

[[step]]
name = "beyond"
kind = "edge"
vary = "output.clock"
to = "2 MHz"
least = "3 MHz"
"""
    )
    logs = tmp_path / "logs"
    with pytest.raises(UsageError) as told:
        accept("causeway", path, logs=logs)
    first, *rest = told.value.lines
    assert first == (
        f"{path}: unknown path: traffic.frame_rat @ step.1, traffic.frame_rat "
        "(did you mean traffic.frame_rate?)"
    )
    assert rest[0].startswith("  no such axis: output.clok")
    assert rest[1].startswith(
        "  the range ends within the margin: 300 kHz, expected an end 1.5 times"
    )
    assert rest[2].startswith("  outside of the range that is looked at: 3 MHz")
    assert not logs.exists()


def test_for_another_profile(tmp_path: Path) -> None:
    """A plan that names its profile is for no other."""
    path = tmp_path / "for.toml"
    path.write_text(PLAN.replace('name = "three"', 'name = "three"\nprofile = "jetty"'))
    with pytest.raises(UsageError, match="the plan is for another profile: causeway"):
        accept("causeway", path, logs=tmp_path / "logs")


def test_corpus_is_copied(tmp_path: Path) -> None:
    """The list itself is not touched, and what was mended must stay so."""
    source, target = tmp_path / "corpus", tmp_path / "copy"
    from bench.fuzz.corpus.folder import ENDING, MENDED

    (source / MENDED).mkdir(parents=True)
    (source / f"a{ENDING}").write_text("a")
    (source / MENDED / f"b{ENDING}").write_text("b")
    target.mkdir()
    (target / f"old{ENDING}").write_text("old")
    _copy_cases(source, target)
    assert sorted(path.name for path in target.iterdir()) == [
        f"a{ENDING}",
        f"b{ENDING}",
    ]
    assert (source / f"a{ENDING}").exists()
    _copy_cases(tmp_path / "none", tmp_path / "empty")
    assert list((tmp_path / "empty").iterdir()) == []
