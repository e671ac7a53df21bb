"""The stream command: its verdicts, its codes, its one JSON object, its ledger."""

from __future__ import annotations

import json
from hashlib import sha256
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np
import pytest
from unit.cli.calls import call

from bench.ledger import read_run

if TYPE_CHECKING:
    from pathlib import Path

EXTRA_CLOCK = ["--set", "output.clock=2 MHz"]


def _refuse(constant: str) -> NoReturn:
    raise ValueError(constant)


def strictly(text: str) -> dict[str, Any]:
    """The one JSON object that a text holds."""
    value = json.loads(text, parse_constant=_refuse)
    assert isinstance(value, dict)
    return value


def streamed(logs: Path, *words: str, code: int = 0) -> dict[str, Any]:
    """The object that a stream prints, once its exit code has been looked at."""
    result = call("stream", *words, "--json", "--logs", str(logs))
    assert result.exit_code == code, result.stderr
    return strictly(result.stdout)


def test_pass(tmp_path: Path) -> None:
    """A rig that fits passes, exits 0, and the object says what it rests on."""
    said = streamed(tmp_path, "causeway", "--packets", "40", "--seed", "7")
    assert said["verdict"] == "PASS"
    assert said["reason"].startswith(
        "40 of 40 packets shown; loss below 0.0722 at 95 %"
    )
    expected = dict.fromkeys(("lost", "corrupt", "stray", "repeated", "late"), 0)
    assert said["packets"].items() >= (expected | {"offered": 40, "shown": 40}).items()
    # Hanley and Lippman-Hand: 1 - 0.05^(1/40)
    assert said["loss_upper"] == pytest.approx(1 - 0.05 ** (1 / 40))
    assert said["confidence"] == 0.95
    assert (
        said["bursts"].items()
        >= {"count": 40, "wrong_clocks": 0, "marginal": 0}.items()
    )
    assert said["latency_ns"]["shown"]["n"] == 40
    assert said["seed"] == 7
    assert said["exit_code"] == 0
    assert said["signal"] is None


def test_fail(tmp_path: Path) -> None:
    """One clock too many fails with exit code 1."""
    words = ["causeway", *EXTRA_CLOCK, "--packets", "20", "--seed", "7"]
    said = streamed(tmp_path, *words, code=1)
    assert said["verdict"] == "FAIL"
    assert said["bursts"]["wrong_clocks"] == 20
    assert said["examples"]["wrong_clocks"]["clocks"] == 3841


def test_ledger_holds_the_same(tmp_path: Path) -> None:
    """What is printed is what the run's folder holds, with how to do it again."""
    words = ["causeway", *EXTRA_CLOCK, "--for", "100ms", "--seed", "7"]
    said = streamed(tmp_path, *words, code=1)
    (folder,) = tmp_path.iterdir()
    assert said["run"] == str(folder)
    stored = read_run(folder)
    assert stored.faults == ()
    assert stored.verdict == said
    assert stored.run["point"] == {"output.clock": "2 MHz"}
    assert stored.run["command"] == ["nightbench", "stream", *words]
    assert stored.run["rig"]["versions"].keys() >= {"nightbench", "numpy", "numba"}
    assert stored.profile_text is not None
    assert 'clock = "2 MHz"' in stored.profile_text


def test_again(tmp_path: Path) -> None:
    """The command that the report gives does the same again, to the nanosecond."""
    first = streamed(tmp_path / "a", "causeway", "--packets", "30")
    (folder,) = (tmp_path / "a").iterdir()
    _, _, *words = read_run(folder).run["command"]
    assert str(first["seed"]) in words
    second = streamed(tmp_path / "b", *words)
    for own in ("run", "spent_ns"):
        del first[own], second[own]
    assert first == second


def test_drawn_seeds_differ(tmp_path: Path) -> None:
    """Without a seed one is drawn, and told."""
    runs = [streamed(tmp_path, "causeway", "--packets", "4") for _ in range(2)]
    assert runs[0]["seed"] != runs[1]["seed"]
    assert (
        f"--seed {runs[0]['seed']}"
        in (next(tmp_path.glob("*-stream")) / "report.txt").read_text()
    )


def test_seed_decides_payloads(tmp_path: Path) -> None:
    """The same seed sends the same octets, another one others."""
    sent = []
    for seed in ("7", "7", "8"):
        words = ["causeway", *EXTRA_CLOCK, "--packets", "8", "--seed", seed]
        folder = streamed(tmp_path / f"{len(sent)}", *words, code=1)["run"]
        records = read_run(tmp_path / f"{len(sent)}" / folder).anomalies.records
        sent.append([r["expected"] for r in records if r["kind"] == "corrupt"])
    assert len(sent[0]) == 8
    assert sent[0] == sent[1]
    assert not set(sent[0]) & set(sent[2])


def test_both_limits(tmp_path: Path) -> None:
    """With both limits, whichever comes first ends the stream."""
    few = streamed(tmp_path, "causeway", "--packets", "8", "--for", "10s")
    assert few["packets"]["offered"] == 8
    brief = streamed(tmp_path, "causeway", "--packets", "1000", "--for", "100ms")
    assert brief["packets"]["offered"] == 8  # 20 frames/s of 4 packets


def test_default_length(tmp_path: Path) -> None:
    """Without a limit it is 60 s of bus time."""
    said = streamed(tmp_path, "causeway")
    assert said["packets"]["offered"] == 60 * 20 * 4
    assert 59 * 10**9 < said["trial_ns"] <= 60 * 10**9


def test_line_with_listeners(tmp_path: Path) -> None:
    """Octets that are no packets: nodes that listen and show nothing are a pass."""
    said = streamed(tmp_path, "causeway", "--line", "55h", "--for", "10ms")
    assert said["verdict"] == "PASS"
    assert said["reason"] == (
        "4000 characters of 55h were sent, and none of 4 nodes that listened showed "
        "anything"
    )
    assert said["packets"]["offered"] == 0
    assert said["bursts"]["count"] == 0
    assert said["loss_upper"] is None


@pytest.mark.parametrize("octet", ["00h", "FFh"])
def test_line_with_nobody(tmp_path: Path, octet: str) -> None:
    """Without a profile nobody listens: nothing is observable, so the trial is void."""
    words = ["--line", octet, "--set", "bus.baud=1 Mbaud", "--for", "10ms"]
    said = streamed(tmp_path, *words, code=4)
    assert said["verdict"] == "VOID"
    assert said["reason"] == (
        f"1000 characters of {octet} were sent; what becomes of them is not "
        "observable: nobody listens"
    )
    assert said["packets"]["shown"] is None
    assert said["bursts"]["count"] is None
    assert said["latency_ns"] == {"first_bit": None, "shown": None}
    assert "what is shown" in said["not_observable"]


def test_dut_is_kept(tmp_path: Path) -> None:
    """What is known of the device is kept as given, its firmware as a digest."""
    firmware = tmp_path / "splitter.hex"
    firmware.write_bytes(b":00000001FF\n")
    words = ["--dut", "serial=0042", "--dut", "operator=K. B. = L."]
    words += ["--firmware", str(firmware), "--packets", "4"]
    said = streamed(tmp_path / "logs", "causeway", *words)
    run = read_run(tmp_path / "logs" / said["run"])
    assert run.run["dut"] == {
        "serial": "0042",
        "revision": None,
        "operator": "K. B. = L.",
        "firmware": f"sha256:{sha256(b':00000001FF' + bytes([10])).hexdigest()}",
    }
    assert "serial 0042" in (run.folder / "report.txt").read_text()


# --- recordings -----------------------------------------------------------------------


def played(tmp_path: Path, recording: Path) -> list[str]:
    """What a recording makes the nodes be sent."""
    words = ["causeway", *EXTRA_CLOCK, "--packets", "8", "--play", str(recording)]
    said = streamed(tmp_path / "logs", *words, code=1)
    records = read_run(tmp_path / "logs" / said["run"]).anomalies.records
    return [r["expected"] for r in records if r["kind"] == "corrupt"]


@pytest.mark.parametrize("kind", ["raw", "flat", "frames"])
def test_play(tmp_path: Path, kind: str) -> None:
    """Recorded frames are sent as they were recorded, whatever they are kept in."""
    rng = np.random.default_rng(1)
    frames = rng.integers(0, 256, (3, 4, 3840), np.uint8)
    file = tmp_path / "recording"
    if kind == "raw":
        file.write_bytes(frames.tobytes())
    else:
        with file.open("wb") as open_file:
            np.save(open_file, frames.reshape(-1) if kind == "flat" else frames)
    expected = {frames[k // 4, k % 4].tobytes().hex() for k in range(8)}
    assert set(played(tmp_path, file)) == expected


@pytest.mark.parametrize(
    ("array", "message"),
    [
        (
            np.zeros((3, 4, 3840), np.int16),
            "recording is not octets: int16, expected u",
        ),
        (np.zeros((3, 4), np.uint8), "recording of no shape: 3 x 4, expected frames x"),
        (np.zeros(0, np.uint8), "empty recording @ --play"),
        (
            np.zeros((3, 4, 5), np.uint8),
            "recorded frames do not fit the nodes: 4 x 5, expected 4 nodes x 3840",
        ),
    ],
)
def test_bad_recording(tmp_path: Path, array: Any, message: str) -> None:
    """A recording of another kind or shape is refused in one line."""
    file = tmp_path / "bad.npy"
    np.save(file, array)
    result = call("stream", "causeway", "--play", str(file), "--logs", str(tmp_path))
    assert result.exit_code == 2
    assert message in result.stderr
    assert result.stderr.count("\n") == 1


def test_damaged_recording(tmp_path: Path) -> None:
    """A cut file, and one that would run code, are refused in one line."""
    whole, objects = tmp_path / "whole.npy", tmp_path / "objects.npy"
    np.save(whole, np.zeros(100, np.uint8))
    whole.write_bytes(whole.read_bytes()[:140])
    np.save(objects, np.array([{}], object), allow_pickle=True)
    for file in (whole, objects):
        result = call("stream", "causeway", "--play", str(file))
        assert result.exit_code == 2
        assert result.stderr == f"nightbench: damaged .npy file @ --play {file}\n"


# --- for people -----------------------------------------------------------------------


def test_summary_once(tmp_path: Path) -> None:
    """Progress, then the summary once; report.txt holds the same words."""
    logs = str(tmp_path)
    result = call("stream", "causeway", "--packets", "40", "--logs", logs)
    progress, page = result.stdout.split("\n", 1)
    assert progress.startswith("100 %  ")
    assert "40 of 40 packets shown, none lost, loss below 0.072 at 95 %" in progress
    (folder,) = tmp_path.iterdir()
    assert page == (folder / "report.txt").read_text()
    assert page.startswith("PASS            40 of 40 packets shown;")


def test_quiet(tmp_path: Path) -> None:
    """Quiet leaves the verdict, the folder and the command."""
    words = ["causeway", "--packets", "40", "--seed", "3", "--quiet"]
    result = call("stream", *words, "--logs", str(tmp_path))
    (folder,) = tmp_path.iterdir()
    assert result.stdout == (
        "PASS            40 of 40 packets shown; loss below 0.0722 at 95 % confidence, "
        "if\n"
        "                packets are lost independently of each other, at one rate\n"
        "                throughout\n"
        f"ledger          {folder}\n"
        "again           nightbench stream causeway --packets 40 --seed 3\n"
    )
    assert result.stderr == ""


def test_json_is_alone(tmp_path: Path) -> None:
    """With --json, standard output is one line and progress goes elsewhere."""
    words = ["causeway", "--packets", "40", "--json", "--logs", str(tmp_path)]
    result = call("stream", *words)
    assert result.stdout.count("\n") == 1
    strictly(result.stdout)
    assert result.stderr.splitlines()[-1].startswith("100 %  ")
