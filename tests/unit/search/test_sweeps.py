"""Sweeps from Python: the same whoever does the work, resumable, and never lost."""

from __future__ import annotations

import csv
import json
import sys
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from unit.trial.upset.plain_nodes import PlainNodes

import bench
from bench.api_search.before import command_before
from bench.api_search.workers import Processes, cores
from bench.base.clock import JumpClock
from bench.base.errors import LedgerError, LinkError, UsageError
from bench.ledger import read_run
from bench.link.transport import Can
from bench.trial.sweep.axes import Axis
from bench.trial.sweep.hands import Died
from bench.trial.sweep.point import Job, Task
from bench.trial.sweep.template import Template

if TYPE_CHECKING:
    from pathlib import Path

    from bench import Progress, SweepResult

OVER = ("bus.baud=3 Mbaud; 4 Mbaud; 12 Mbaud", "seed=1; 2")
QUICK = {"packets": 4, "seed": 7}


def sweep(logs: Path, **given: Any) -> SweepResult:
    """A small sweep of the causeway."""
    return bench.sweep("causeway", OVER, logs=logs, **{**QUICK, "jobs": 1, **given})


def test_states_and_tables(tmp_path: Path) -> None:
    """Points pass, fail and cannot be sent; the ledger and its tables hold it all."""
    result = sweep(tmp_path)
    assert [one["state"] for one in result.points] == [
        *["cannot be sent"] * 2,
        *["pass"] * 2,
        *["fail"] * 2,
    ]
    assert (result.verdict, result.exit_code) == ("FAIL", 1)
    assert result.points[4]["cause"].startswith("receiver overrun")
    assert result.points[0]["reason"].startswith("own packets do not fit")
    stored = read_run(result.run)
    assert stored.faults == ()
    assert [record["index"] for record in stored.intervals.records] == list(range(6))
    assert stored.intervals.records == list(result.points)
    assert json.loads(json.dumps(result.as_dict(), allow_nan=False)) == result.as_dict()
    with (result.run / "points.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["bus.baud [baud]"] for row in rows[::2]] == [
        "3000000",
        "4000000",
        "12000000",
    ]
    assert [row["seed"] for row in rows] == ["1", "2"] * 3
    assert rows[0]["offered"] == "", "what was not observed is no number"
    assert (rows[2]["offered"], rows[2]["shown"], rows[2]["state"]) == (
        "4",
        "4",
        "pass",
    )
    report = (result.run / "report.txt").read_text("utf-8")
    assert report.startswith("FAIL")
    assert "bus.baud across, seed down" in report


def test_parquet_holds_the_same(tmp_path: Path) -> None:
    """Where the library is there, the table is Parquet too."""
    parquet = pytest.importorskip("pyarrow.parquet")
    result = sweep(tmp_path)
    table = parquet.read_table(result.run / "points.parquet").to_pydict()
    assert (
        table["bus.baud [baud]"] == [3_000_000] * 2 + [4_000_000] * 2 + [12_000_000] * 2
    )
    assert table["shown"] == [None, None, 4, 4, 0, 0]


def test_does_not_depend_on_cores(tmp_path: Path) -> None:
    """One process or three: the same records to the last digit."""
    made = [sweep(tmp_path, jobs=jobs) for jobs in (1, 3)]
    assert made[0].points == made[1].points
    for word in ("verdict", "reason", "states", "causes", "characters"):
        assert made[0].figures[word] == made[1].figures[word]


def test_does_not_depend_on_a_cluster(tmp_path: Path) -> None:
    """On a cluster the records are the same; without the library it is skipped."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    ) as cluster:
        address = cluster.scheduler_address
        result = bench.sweep("causeway", OVER, logs=tmp_path, cluster=address, **QUICK)
    assert result.points == sweep(tmp_path).points


def test_no_cluster(tmp_path: Path) -> None:
    """An address at which nobody answers is told in a line, before a ledger begins."""
    pytest.importorskip("distributed")
    with pytest.raises(LinkError, match=r"no cluster answers: tcp://127\.0\.0\.1:9"):
        bench.sweep("causeway", OVER, logs=tmp_path, cluster="tcp://127.0.0.1:9")
    assert not list(tmp_path.iterdir())


class Stopping:
    """Asks to stop once so many points are done."""

    def __init__(self, after: int) -> None:
        self.after = after
        self.told: list[int] = []

    def begun(self, folder: Path) -> None:
        """See `Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `Watcher`."""
        self.told.append(progress.counts["points"])

    def stop(self) -> int | None:
        """A signal, by then."""
        return 2 if len(self.told) >= self.after else None


def test_stopped_and_gone_on_with(tmp_path: Path) -> None:
    """What was done is kept; the rest follows, and all is as if nothing had been."""
    whole = sweep(tmp_path)
    looking = Stopping(3)
    first = sweep(tmp_path, watcher=looking, stop=looking.stop)
    assert (first.signal, first.exit_code) == (2, 130)
    assert len(first.points) == 3
    assert read_run(first.run).verdict is None
    again = f"nightbench sweep --resume {first.run}"
    assert again in (first.run / "report.txt").read_text("utf-8")
    second = bench.resume_sweep(first.run, jobs=1)
    assert second.run == first.run
    assert second.points == whole.points
    assert second.figures["reason"] == whole.figures["reason"]
    records = read_run(first.run).intervals.records
    assert [record["index"] for record in records] == list(range(6))


def test_a_torn_record_is_tried_again(tmp_path: Path) -> None:
    """Of a line that was not finished nothing is believed."""
    looking = Stopping(3)
    first = sweep(tmp_path, watcher=looking, stop=looking.stop)
    log = first.run / "intervals.log"
    log.write_bytes(log.read_bytes()[:-40])
    second = bench.resume_sweep(first.run, jobs=1)
    assert second.points == sweep(tmp_path).points


def test_nothing_to_go_on_with(tmp_path: Path) -> None:
    """A run that has ended, one of another kind, and no run at all are refused."""
    done = sweep(tmp_path)
    with pytest.raises(LedgerError, match="run has ended"):
        bench.resume_sweep(done.run)
    other = bench.stream(bench.load_profile("causeway"), packets=4, logs=tmp_path)
    with pytest.raises(LedgerError, match="not a sweep"):
        bench.resume_sweep(other.run)
    with pytest.raises(LedgerError, match="not the folder of a run"):
        bench.resume_sweep(tmp_path)


# --- workers --------------------------------------------------------------------------

JOB = Job(
    Template.of_file("causeway"), (Axis("seed", ("1", "2", "3", "4")),), 4, None, 0
)
TASKS = [Task(k, (str(k + 1),)) for k in range(4)]

MORTAL = """
import json, os, signal, sys
job = sys.stdin.readline()
for line in sys.stdin:
    index, values = json.loads(line)
    if index == 2:
        {death}
    print(json.dumps({{"index": index, "state": "pass"}}), flush=True)
"""


def mortal(death: str) -> list[str]:
    """What starts a worker that dies over the third point."""
    return [sys.executable, "-c", MORTAL.format(death=death)]


@pytest.mark.parametrize(
    ("death", "why"),
    [
        ("os.kill(os.getpid(), signal.SIGKILL)", "killed by SIGKILL"),
        ("os._exit(3)", "exit code 3"),
        ("sys.stdout.write('{\\\"in'); sys.stdout.flush(); os._exit(3)", "exit code 3"),
    ],
)
def test_a_worker_that_dies(death: str, why: str) -> None:
    """It is told how it died, and another goes on with the other points."""
    hands = Processes(1, mortal(death))
    came = {task.index: one for task, one in hands.work(JOB, TASKS, lambda: None)}
    assert came.pop(2) == Died(why)
    assert came == {k: {"index": k, "state": "pass"} for k in (0, 1, 3)}


def test_a_worker_that_cannot_be_started() -> None:
    """That is told, and nothing hangs."""
    with pytest.raises(LinkError, match="a worker cannot be started"):
        list(Processes(2, ["/nowhere/at-all"]).work(JOB, TASKS, lambda: None))


def test_a_bug_in_a_worker_is_told() -> None:
    """Its traceback comes to whoever asked, as an error and not as a point."""
    said = "print(json.dumps({'bug': 'Traceback: it broke'}), flush=True)"
    with pytest.raises(RuntimeError, match="it broke"):
        list(Processes(1, mortal(said)).work(JOB, TASKS[2:], lambda: None))


def test_workers_are_told_to_stop() -> None:
    """Whatever they are at, they end at once when a signal came."""
    waits = [sys.executable, "-c", "import sys; [None for line in sys.stdin]"]
    asked = iter([None, 2, 2, 2, 2])
    assert not list(Processes(2, waits).work(JOB, TASKS, lambda: next(asked)))


def test_real_workers_try_points() -> None:
    """This bench's own workers give whole records, in whatever order."""
    done = Processes(2).work(JOB, TASKS, lambda: None)
    came = {task.index: one for task, one in done}
    assert sorted(came) == [0, 1, 2, 3]
    for record in came.values():
        assert not isinstance(record, Died)
        assert (record["state"], record["packets"]["shown"]) == ("pass", 4)


def test_there_is_a_core() -> None:
    """At least one process may run."""
    assert cores() >= 1


# --- before a point -------------------------------------------------------------------


def test_command_is_told_the_point(tmp_path: Path) -> None:
    """Braces and the environment both hold the values, and no shell looks at them."""
    told = tmp_path / "told"
    code = (
        "import os, sys; open(sys.argv[1], 'a').write("
        "sys.argv[2] + '|' + os.environ['NIGHTBENCH_OUTPUT_CLOCK'] + '\\n')"
    )
    template = f"{sys.executable} -c \"{code}\" {told} '{{output.clock}};$HOME'"
    before = command_before(template, ["output.clock"])
    assert before({"output.clock": "2 MHz"}) == ""
    assert told.read_text() == "2 MHz;$HOME|2 MHz\n"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("false", "the command before it failed: false: exit code 1"),
        ("/nowhere/at-all", "/nowhere/at-all: no such file or directory"),
        ("sh -c 'echo no board >&2; exit 3'", "exit code 3: no board"),
        ("sh -c 'kill -9 $$'", "killed by SIGKILL"),
    ],
)
def test_command_that_fails(words: str, said: str) -> None:
    """One line that says how; the point is then not tried."""
    why = command_before(words, [])({})
    assert said in why
    assert "\n" not in why


@pytest.mark.parametrize(
    ("template", "said"),
    [
        ("", "no command"),
        ("set 'clock", "not a command"),
        ("set {bus.baud}", r"not varied: \{bus.baud\}, expected \{output.clock\}"),
    ],
)
def test_no_command(template: str, said: str) -> None:
    """What cannot be run for any point is refused before the first."""
    with pytest.raises(UsageError, match=said):
        command_before(template, ["output.clock"])


# --- boards ---------------------------------------------------------------------------


class Boards(PlainNodes):
    """Nodes that are said to be boards."""

    name = "boards"
    rates = (1_000_000, 4_000_000)


def test_boards_one_after_another(tmp_path: Path) -> None:
    """They settle before each point; a baud that their adapter lacks is not tried."""
    clock = JumpClock()
    result = bench.sweep(
        "causeway",
        ["bus.baud=4 Mbaud; 5 Mbaud"],
        packets=4,
        make_link=lambda profile, _: Boards(profile),
        allowed=("--allow-bright", "--allow-flashing"),
        logs=tmp_path,
        clock=clock,
    )
    assert [one["state"] for one in result.points] == ["pass", "cannot be sent"]
    said = "the adapter cannot make 5000000 baud; the nearest that it makes is 4000000"
    assert result.points[1]["reason"] == said
    assert result.facts["link"] == "boards"
    assert clock.now_ns() >= 10 * 10**9


def test_boards_gone_on_with(tmp_path: Path) -> None:
    """Stopped after the first point: the other one is tried, on the same link only."""
    looking, clock = Stopping(1), JumpClock()
    given: dict[str, Any] = {
        "make_link": lambda profile, _: Boards(profile),
        "allowed": ("--allow-bright", "--allow-flashing"),
        "clock": clock,
    }
    first = bench.sweep(
        "causeway",
        ["traffic.frame_rate=10 Hz; 20 Hz"],
        overrides=["accept.skew="],
        packets=4,
        logs=tmp_path,
        watcher=looking,
        stop=looking.stop,
        **given,
    )
    assert [one["state"] for one in first.points] == ["pass"]
    with pytest.raises(UsageError, match="begun on another link: simulated"):
        bench.resume_sweep(first.run)
    settled_ns = clock.now_ns()
    second = bench.resume_sweep(first.run, **given)
    assert [one["state"] for one in second.points] == ["pass", "pass"]
    assert clock.now_ns() >= settled_ns + 5 * 10**9


class Clockless(Boards):
    """Boards behind something that keeps no bit rate."""

    transport = SimpleNamespace(can=Can())


@pytest.mark.parametrize("axis", ["bus.baud=4 Mbaud; 5 Mbaud", "bus.baud_offset=0; 1%"])
def test_a_link_without_a_bit_clock(axis: str, tmp_path: Path) -> None:
    """It cannot move the baud, which is told before the first point."""
    name = axis.partition("=")[0]
    said = f"this link has no bit clock, so it cannot move {name}: boards"
    given: dict[str, Any] = {
        "make_link": lambda profile, _: Clockless(profile),
        "logs": tmp_path,
    }
    with pytest.raises(UsageError, match=said):
        bench.sweep("causeway", [axis], **given)
    if name == "bus.baud_offset":
        with pytest.raises(UsageError, match=said):
            bench.edge("causeway", name, **given)
    assert not list(tmp_path.iterdir())


def test_packet_before_each_point(tmp_path: Path) -> None:
    """Octets are sent at the profile's own baud, by a link of their own."""
    sent: list[tuple[int, bytes]] = []

    class Noting(PlainNodes):
        name = "simulated"

        def carry(self, line: Any, packets: Any = None) -> Any:
            baud = self.nodes[0].profile.bus.baud
            sent.append((baud, line.octets.tobytes()))
            return super().carry(line, packets)

    bench.sweep(
        "causeway",
        ["bus.baud=4 Mbaud; 5 Mbaud"],
        packets=4,
        make_link=lambda profile, _: Noting(profile),
        before_packet=bytes.fromhex("A5 5A 01"),
        logs=tmp_path,
    )
    own = [(baud, octets) for baud, octets in sent if len(octets) == 3]
    assert own == [(4_000_000, b"\xa5\x5a\x01")] * 2


def test_wrong_arguments(tmp_path: Path) -> None:
    """Each is told in a line, before a ledger begins."""
    cases: list[tuple[dict[str, Any], str]] = [
        ({"over": []}, "nothing is varied"),
        ({"over": ["output.clok=1 MHz; 2 MHz"]}, "did you mean output.clock"),
        ({"over": OVER, "jobs": 0}, "out of range: 0"),
        ({"over": OVER, "packets": 0}, "no packets: 0"),
        ({"over": OVER, "duration": "0 s"}, "no time"),
        ({"over": OVER, "seed": -1}, "out of range: -1"),
        ({"over": OVER, "before": "x {y}"}, "not varied"),
        ({"over": OVER, "cluster": "tcp://x:1", "before": "true"}, "a cluster has no"),
    ]
    for given, said in cases:
        over = given.pop("over")
        with pytest.raises(UsageError, match=said):
            bench.sweep("causeway", over, logs=tmp_path, **given)
    own = [
        "node.0.output.clock=1 MHz",
        *(f"node.{k}.output.clock=1 MHz" for k in (1, 2, 3)),
    ]
    with pytest.raises(
        UsageError, match=r"an axis that changes nothing: output\.clock"
    ):
        bench.sweep(
            "causeway", ["output.clock=1 MHz; 2 MHz"], overrides=own, logs=tmp_path
        )
    assert not list(tmp_path.iterdir())
