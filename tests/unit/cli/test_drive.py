"""`nightbench drive` on the command line, as far as no real time has to pass."""

from __future__ import annotations

import io
import os
import sys

import pytest
from unit.cli.calls import call

from bench.base.errors import BenchError, Fault
from bench.cli.hands import TypingHands, hands_of, is_terminal, single_keys
from bench.trial.drive.asked.commands import Hold, Quit, Turn
from bench.trial.drive.asked.keys import key_lines
from bench.trial.drive.asked.script import Asked


def test_the_help_lists_every_key_and_command():
    """Somebody at an oscilloscope finds them all in one place."""
    done = call("drive", "--help")
    assert done.exit_code == 0
    text = " ".join(done.stdout.split())
    for key, words in key_lines():
        assert f"{key} {words}" in text
    for word in ("set PATH=VALUE", "trigger [GAP]", "mark TEXT", "at TIME COMMAND"):
        assert word in text


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("at 1 s hodl\n", "no such command: hodl"),
        ("hold\n", "no instant: hold, expected at TIME and a command @"),
        ("at 1 s set output.clock=2 MHz\n", "not to be turned while traffic runs"),
        ("at 1 s set traffic.frame_rate=9 kHz\n", "@ at 1 s: set traffic.frame_rate"),
        (b"\xff\xfe", "not UTF-8 from octet 0 on"),
    ],
)
def test_a_script_with_a_fault_is_one_line(tmp_path, script, said):
    """It is refused before anything is sent, and no run is begun."""
    path = tmp_path / "mine.txt"
    path.write_bytes(script if isinstance(script, bytes) else script.encode())
    logs = tmp_path / "logs"
    done = call("drive", "causeway", "--script", str(path), "--logs", str(logs))
    assert done.exit_code == 2
    assert said in done.stderr
    assert done.stderr.splitlines()[-1].count(said) == 1
    assert not logs.exists()


def test_a_script_that_is_not_there(tmp_path):
    """One line says so."""
    done = call("drive", "causeway", "--script", str(tmp_path / "none.txt"))
    assert done.exit_code == 2
    assert "no such file or directory" in done.stderr


def test_options_of_a_link_need_one():
    """Simulated nodes have no port to hold."""
    done = call("drive", "causeway", "--reconnect", "2 s")
    assert done.exit_code == 2
    assert "nothing to hold on simulated nodes: --reconnect" in done.stderr


# --- hands ----------------------------------------------------------------------------


class Asks:
    """Takes what is asked."""

    def __init__(self, *faults):
        self.asked, self.refused, self._faults = [], [], faults

    def __call__(self, asked):
        """See `Drive.ask`."""
        if str(asked.command) in self._faults:
            raise BenchError(Fault("cannot be"))
        self.asked.append(asked)


def lines_of(text, *faults, keep=False):
    """What typed lines come to, read to their end."""
    asks = Asks(*faults)
    hands = TypingHands(io.StringIO(text), asks.refused.append, by_key=False)
    if keep:
        hands.keep_on()
    hands._ask = asks
    hands._lines()
    assert hands.at_end
    return asks


def test_typed_lines_and_their_end():
    """One command a line; the end of input is the end, once all that was asked is."""
    asks = lines_of("hold\n# nothing\n\nat 3 s up share\n")
    assert asks.asked == [
        Asked(Hold()),
        Asked(Turn("share", up=True), 3_000_000_000),
        Asked(Quit(), 3_000_000_000),
    ]
    assert lines_of("hold\n", keep=True).asked == [Asked(Hold())]


def test_what_cannot_be_obeyed_stops_nothing():
    """A line is refused in a sentence, and the next one is read."""
    asks = lines_of("hodl\nhold\nup rate\n", str(Hold()))
    assert asks.asked[0] == Asked(Turn("rate", up=True))
    assert [str(fault).split(":")[0] for fault in asks.refused] == [
        "no such command",
        "cannot be",
    ]


def test_keys_of_a_terminal():
    """Keys come one by one, unechoed, and the terminal is as before afterwards."""
    termios = pytest.importorskip("termios")
    far, near = os.openpty()
    with os.fdopen(near, "r") as stream:
        before = termios.tcgetattr(near)
        assert is_terminal(stream)
        with single_keys(stream) as by_key:
            assert by_key
            now = termios.tcgetattr(near)[3]
            assert not now & (termios.ICANON | termios.ECHO)
            assert now & termios.ISIG  # Ctrl-C stays a signal
            asks = Asks()
            hands = hands_of(stream, asks.refused.append, by_key=True)
            hands._ask = asks
            os.write(far, b"S:hold\rq")
            for pressed in hands._keyboard.press(hands._some()):
                hands._obey(pressed)
            assert [one.command for one in asks.asked] == [
                Turn("share", up=True),
                Hold(),
                Quit(),
            ]
        assert termios.tcgetattr(near) == before
    os.close(far)


def test_without_a_terminal_there_are_no_keys(monkeypatch):
    """Where it is none, or the system has no such thing, lines are read."""
    stream = io.StringIO("hold\n")
    with single_keys(stream) as by_key:
        assert not by_key
    monkeypatch.setitem(sys.modules, "termios", None)
    with single_keys(sys.__stdin__) as by_key:
        assert not by_key
    assert hands_of(None, print, by_key=False) is None
