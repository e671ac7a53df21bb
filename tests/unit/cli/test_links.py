"""The options about the link: what is opened, what is repeated, what is refused."""

from __future__ import annotations

import json
import os

import pytest
from unit.cli.calls import call

import bench
from bench.base.errors import ProfileError, UsageError
from bench.cli.links import LinkChoice
from bench.traffic.light import ALLOW_BRIGHT, ALLOW_FLASHING, CAUTIONS
from bench.trial.lights import light_faults, refuse_lights
from bench.trial.links import LinkOptions, reaches_lights, rules_of
from bench.trial.plan import Plan


def choice(link: str = "simulated", **given) -> LinkChoice:
    """What the options said."""
    nothing = {
        "lead_ns": None,
        "reconnect_ns": None,
        "realtime": False,
        "measured_baud": None,
        "port": (),
        "allow_bright": False,
        "allow_flashing": False,
    }
    return LinkChoice(link, **(nothing | given))


@pytest.mark.parametrize(
    ("name", "may"),
    [
        ("simulated", False),
        ("loop", False),
        ("pty", False),
        ("pty:/tmp/bus", False),
        ("child:./node --fast", False),
        ("loop://", False),
        ("/dev/pts/3", False),
        ("/dev/ttyUSB0", True),
        ("COM7", True),
        ("socket://127.0.0.1:4000", True),
        ("rfc2217://host:4000", True),
        ("udp:127.0.0.1:4000", True),
    ],
)
def test_what_may_reach_lights(name, may):
    """Anything may, but what ends in a program of this machine."""
    assert reaches_lights(name) is may


@pytest.mark.skipif(os.name != "posix", reason="needs symbolic links")
def test_a_link_to_a_pty_reaches_none(tmp_path):
    """A served node's pty by the name that somebody gave it."""
    (tmp_path / "bus").symlink_to("/dev/pts/3")
    assert not reaches_lights(str(tmp_path / "bus"))


def test_words_repeat_the_options():
    """Everything that was asked of the link is in the command that repeats it."""
    given = choice(
        "/dev/ttyX",
        lead_ns=5_000_000,
        reconnect_ns=30_000_000_000,
        realtime=True,
        measured_baud=3999990.0,
        port=("rts=off",),
        allow_bright=True,
    )
    assert given.words() == [
        *("--link", "/dev/ttyX", "--lead", "5ms", "--reconnect", "30s", "--realtime"),
        *("--measured-baud", "3999990.0", "--port", "rts=off", "--allow-bright"),
    ]
    assert choice().words() == []


def test_stream_over_a_loop(tmp_path):
    """The report names the link, and its command says it again."""
    words = ["--for", "100ms", "--seed", "1", "--json", "--quiet", "--lead", "5ms"]
    done = call("stream", "causeway", "--link", "loop", *words, "--logs", str(tmp_path))
    assert done.exit_code == 4, done.stderr
    figures = json.loads(done.stdout)
    facts = json.loads((tmp_path / figures["run"] / "run.json").read_text())
    assert facts["link"] == "loop"
    assert facts["transport"]["kind"] == "loop"
    again = facts["command"]
    assert again[again.index("--link") : again.index("--seed")] == [
        *("--link", "loop", "--lead", "5ms")
    ]
    assert figures["link"]["pacing"]["lead_ns"] == 5_000_000
    assert figures["void"][0].endswith("lines, reply, lane or status")


def test_a_line_without_a_profile(tmp_path):
    """55h on a loop that nobody listens to: void says so, and no lights are left."""
    words = ["--set", "bus.baud=1 Mbaud", "--for", "50ms", "--json", "--quiet"]
    done = call(
        "stream", "--line", "55h", "--link", "loop", *words, "--logs", str(tmp_path)
    )
    assert done.exit_code == 4, done.stderr
    figures = json.loads(done.stdout)
    assert figures["reason"].endswith("nobody listens")
    assert figures["link"]["safe_level"] is None
    assert figures["link"]["counts"]["accepted"] == 5000


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["--port", "rts=off"], "nothing to hold on simulated nodes"),
        (["--realtime"], "nothing to hold on simulated nodes"),
        (["--link", "loop", "--port", "rts"], "not an option of a port"),
        (["--link", "loop", "--port", "colour=red"], "no such option of a link"),
        (["--link", "loop", "--port", "xonxoff=on"], "software flow control"),
    ],
)
def test_options_that_mean_nothing(words, text):
    """Each in one line, exit code 2."""
    done = call("stream", "causeway", "--packets", "4", *words)
    assert done.exit_code == 2
    assert text in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("name", "ns"), [("modbus-rtu", 2_005_209), ("dmx512", 0), ("causeway", 0)]
)
def test_only_a_framing_by_silence_keeps_one(name, ns):
    """Elsewhere packets may follow each other, whatever a parser calls a silence."""
    profile = bench.load_profile(name)
    assert rules_of(profile, LinkOptions(), hears_bus=True).silence_ns == ns


BRIGHT = Plan(bench.load_profile("causeway"), 1, packets=40)


def test_bright_patterns_are_refused_on_lights():
    """Random data is half of full, over the cap of a fifth: refused, with its flag."""
    with pytest.raises(ProfileError, match=r"light too bright: 5\d.\d% of full"):
        refuse_lights(BRIGHT)
    (fault,) = light_faults(BRIGHT)
    assert fault.mend == "--allow-bright allows it"
    assert light_faults(BRIGHT, (ALLOW_BRIGHT,)) == []
    assert light_faults(BRIGHT, (ALLOW_BRIGHT, ALLOW_FLASHING)) == []


def test_flashing_patterns_are_refused_on_lights():
    """The whole field on and off at each of 20 frames a second, at a tenth."""
    profile = bench.load_profile("causeway", ["traffic.pattern=play"])
    octets = sum(node.output.payload_octets for node in profile.node)
    import numpy as np

    frames = np.zeros((2, octets), np.uint8)
    frames[0] = 0x26  # 15 % of full
    plan = Plan(profile, 1, duration_ns=10**10, recording=frames.reshape(-1))
    (fault,) = light_faults(plan)
    assert fault.what == "light flashes too often"
    assert light_faults(plan, (ALLOW_FLASHING,)) == []


def test_a_link_to_lights_is_refused_before_anything_is_sent(tmp_path):
    """The stream itself asks the guard, by the link's name, and sends nothing."""
    from unit.link.live.stub import Stub, link_over

    from bench.base.clock import JumpClock

    stub = Stub(JumpClock())
    stub.name = "/dev/ttyX"
    given = {"packets": 8, "logs": tmp_path, "clock": stub.clock}
    profile = bench.load_profile("causeway")
    with (
        link_over(stub, baud=profile.bus.baud) as link,
        pytest.raises(ProfileError, match="light too bright"),
    ):
        bench.stream(profile, link=link, **given)
    assert stub.took == []
    with link_over(stub, baud=profile.bus.baud) as link:
        result = bench.stream(profile, link=link, allowed=(ALLOW_BRIGHT,), **given)
    assert stub.took
    assert result.verdict == "VOID"


def test_trials_that_make_boards_fail(capsys):
    """On lights they need a flag, and say what has to be done first."""
    choice("loop").refuse_failing(allowed=False)
    choice().refuse_failing(allowed=False)
    with pytest.raises(UsageError, match=r"dummy load.*--allow-failing"):
        choice("/dev/ttyX").refuse_failing(allowed=False)
    choice("/dev/ttyX").refuse_failing(allowed=True)
    assert CAUTIONS["load"] in capsys.readouterr().err


def test_cautions(capsys):
    """Before light is made people are told; where there is none, nothing is said."""
    choice("loop").caution()
    assert capsys.readouterr().err == ""
    choice("/dev/ttyX").caution()
    assert CAUTIONS["people"] in capsys.readouterr().err
