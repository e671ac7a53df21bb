"""A program on pipes: how it ends, what it says, and that it does end."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest
from links.contract import heard

from bench.base.clock import SystemClock
from bench.base.errors import LinkError, UsageError
from bench.link.ports import LinkLostError, make_transport
from bench.profile.model import Bus

BUS = Bus(baud=4_000_000)


def child(command):
    """A program on pipes."""
    return make_transport(f"child:{command}", BUS, SystemClock())


def python(program):
    """A program in Python."""
    return child(f"{sys.executable} -S -c '{program}'")


def until_lost(transport):
    """Read until something is thrown."""
    while True:
        transport.read()
        transport.wait(0.05, room=False)


def alive(process):
    """Whether a process is there and no zombie."""
    try:
        words = Path(f"/proc/{process}/stat").read_text()
    except FileNotFoundError:
        return False
    return words.rsplit(")", 1)[1].split()[0] != "Z"


def test_its_end_is_told_with_exit_code_and_last_words():
    """A program that dies is heard first; the error says how, and its last words."""
    transport = python(
        'import sys; print("seen"); sys.stdout.flush(); '
        'sys.stderr.write("no such channel\\n"); sys.exit(3)'
    )
    assert heard(transport, 5) == b"seen\n"
    with pytest.raises(LinkLostError, match=r'exit code 3: "no such channel"'):
        until_lost(transport)
    told = transport.told()
    assert told.facts["exit_code"] == 3
    assert "no such channel" in told.facts["standard_error"]
    transport.close()


def test_a_signal_that_killed_it_is_named():
    """A crash is a signal, not an exit code."""
    transport = python("import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    with pytest.raises(LinkLostError, match="died by signal 11"):
        until_lost(transport)
    transport.close()


def test_a_program_that_ends_at_the_end_of_its_input_is_left_to(tmp_path):
    """At the close its input ends; a well-behaved program then ends by itself."""
    transport = python(
        f'import sys; print("up", flush=True); sys.stdin.buffer.read(); '
        f'open("{tmp_path}/end", "w").write("orderly")'
    )
    assert heard(transport, 3) == b"up\n"
    transport.close()
    assert (tmp_path / "end").read_text() == "orderly"
    assert transport.told().facts["exit_code"] == 0


def test_one_that_will_not_end_is_made_to_within_a_second():
    """Deaf to its input's end and to being told: it is gone within a second."""
    transport = python(
        "import signal, sys, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
        'print("up", flush=True); time.sleep(60)'
    )
    assert heard(transport, 3) == b"up\n"
    process = transport.told().facts["process"]
    begun = time.monotonic()
    transport.close()
    assert time.monotonic() - begun < 1.0
    assert not alive(process)


def test_one_that_talks_without_end_on_standard_error_is_not_stuck():
    """More words than a pipe holds do not stop it: they are taken, the latest kept."""
    transport = python(
        "import sys; [sys.stderr.write(str(k).rjust(9) + chr(10)) "
        'for k in range(50000)]; print("done")'
    )
    assert heard(transport, 5) == b"done\n"
    transport.close()
    kept = transport.told().facts["standard_error"]
    assert kept.endswith("49999\n")
    assert len(kept) <= 4096


@pytest.mark.parametrize(
    ("command", "error", "words"),
    [
        ("", UsageError, "no command"),
        ("'unclosed", UsageError, "not a command line"),
        ("/no/such/program -x", LinkError, "no such program: /no/such/program"),
        (__file__, LinkError, "not allowed to start"),
    ],
)
def test_what_cannot_be_started_is_said_in_a_line(command, error, words):
    """One line with the program's name."""
    with pytest.raises(error, match=words) as thrown:
        child(command)
    assert len(thrown.value.lines) == 1


def test_it_has_a_session_of_its_own():
    """Ctrl-C at the terminal is for the bench: its child is not hit first."""
    transport = child("cat")
    assert os.getsid(transport.told().facts["process"]) != os.getsid(0)
    transport.close()
