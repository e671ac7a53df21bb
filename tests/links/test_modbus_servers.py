"""Two MODBUS servers that nobody here wrote: the bench finds out what they are like.

What each does with packets that are not for it was measured by hand with plain system
calls before the bench was let at them, and is the library's own doing: pymodbus 3.16,
libmodbus 3.1.6.  MODBUS over Serial Line V1.02 says what they should do: a server keeps
quiet unless a sound request is for it, and a packet with a bad check is dropped.
"""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
from links.modbus import (
    NOBODY,
    Maker,
    Outcome,
    Stimulus,
    driven,
    libmodbus_command,
    profile_of,
    pymodbus_command,
    served,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future
    from pathlib import Path

    Odd = Callable[[float], Stimulus]

STEP_S = 0.03
"""From packet to packet: a packet takes 0.7 ms, and an answer has 25 ms."""

SHORT_S = (0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.38, 0.4, 0.42)
LONG_S = (0.55, 0.57, 0.59, 0.61)
"""Pauses on either side of the half second, and some way off: a host may be late."""


def rounds(odd: Odd, own: Odd, count: int, pause_s: float = 0) -> list[Stimulus]:
    """Something odd, a good packet after it, and after a pause two more, many times."""
    one = [(odd, STEP_S), (own, STEP_S), (own, STEP_S + pause_s), (own, STEP_S)]
    return [make(after_s) for _ in range(count) for make, after_s in one]


def counts(outcome: Outcome, kind: str) -> dict[str, Any]:
    """How packets of a kind were answered."""
    reply = outcome.evidence.figures["reply"]
    found: dict[str, Any] = reply["packets"][kind]
    return found


def after(outcome: Outcome, kind: str) -> list[dict[str, Any]]:
    """What was found about good packets after something."""
    deaf = outcome.evidence.figures["reply"]["deaf"]
    return [found for found in deaf if found["kind"] == kind]


@pytest.fixture(scope="module")
def running(tmp_path_factory) -> Iterator[dict[str, Future[Outcome]]]:
    """Both servers under way, beside each other: most of it is waiting."""
    folder = tmp_path_factory.mktemp("server")
    with ThreadPoolExecutor(2) as pool:
        yield {
            "libmodbus": pool.submit(drive_libmodbus, folder),
            "pymodbus": pool.submit(drive_pymodbus),
        }


@pytest.fixture(scope="module")
def libmodbus(running) -> Outcome:
    """What the bench made of the server in C."""
    return running["libmodbus"].result()


@pytest.fixture(scope="module")
def pymodbus(running) -> Outcome:
    """What the bench made of the server in Python."""
    return running["pymodbus"].result()


def drive_libmodbus(folder: Path) -> Outcome:
    """Half a second and its both sides, bad checks, stray octets."""
    command = libmodbus_command(folder)
    profile = profile_of("06")
    make = Maker(profile)
    stimuli = [make.own(STEP_S) for _ in range(10)]
    for pause_s in (*SHORT_S, *LONG_S):
        stimuli += [make.foreign(STEP_S), make.own(pause_s)]
        stimuli += [make.own(STEP_S) for _ in range(3)]
    stimuli += rounds(make.bad_check, make.own, 10)
    stimuli += rounds(make.noise, make.own, 5, pause_s=0.56)
    with served(command, profile.bus.baud) as ours:
        return driven(profile, ours, stimuli)


def drive_pymodbus() -> Outcome:
    """Ten of every odd packet, good ones after each."""
    command = pymodbus_command()
    profile = profile_of("08")
    make = Maker(profile)
    stimuli = [make.own(STEP_S) for _ in range(10)]
    for odd in (make.foreign, make.bad_check, make.unknown, make.noise, make.cut):
        stimuli += rounds(odd, make.own, 10)
    with served(command, profile.bus.baud) as ours:
        return driven(profile, ours, stimuli)


def test_libmodbus_is_deaf_for_half_a_second(libmodbus):
    """After a request for nobody it takes what comes within 0.5 s for the answer."""
    (found,) = after(libmodbus, "a packet for another address that nobody answered")
    assert (found["lost"], found["of"]) == (len(SHORT_S), len(SHORT_S))
    assert found["next_only"]
    assert 0.41e9 <= found["within_ns"] < 0.5e9
    assert 0.5e9 <= found["heard_ns"] < 0.6e9
    (said,) = [one for one in libmodbus.evidence.findings if "another address" in one]
    assert said.startswith(
        "sluice: deaf to the packet after a packet for another address that nobody "
        "answered, if it comes within 0.42 s: 10 of 10 lost, "
    )


def test_libmodbus_keeps_quiet(libmodbus):
    """It answers nobody's packets and bad ones never, its own at once otherwise."""
    for kind, asked in (("foreign", 14), ("bad_check", 10), ("noise", 5)):
        assert counts(libmodbus, kind)["asked"] == asked
        assert counts(libmodbus, kind)["answered"] == 0
    own = counts(libmodbus, "own")
    assert own["asked"] == 10 + 14 * 4 + 10 * 3 + 5 * 3
    # Lost: after a foreign packet too soon, and after an octet that is no packet's.
    assert own["answered"] == own["asked"] - len(SHORT_S) - 5
    assert len(libmodbus.shown) == own["answered"]
    assert not after(libmodbus, "a packet with a bad check")


def test_libmodbus_round_trips(libmodbus):
    """It answers within a millisecond or so, and not in steps."""
    trips = libmodbus.evidence.figures["reply"]["round_trip"]
    assert trips["n"] == counts(libmodbus, "own")["answered"]
    assert 0 < trips["ns"]["p50"] < 5e6
    assert not trips["adapter_limited"]


def test_pymodbus_answers_for_others(pymodbus):
    """It answers for a node that is not there."""
    said = f"answered 10 of 10 packets for address {NOBODY}, which is nobody's"
    assert said in pymodbus.evidence.findings


def test_pymodbus_loses_the_packet_after_an_unknown_function(pymodbus):
    """A function that it does not know costs the next good packet."""
    (found,) = after(pymodbus, "a packet with an unknown literal")
    assert (found["lost"], found["of"]) == (10, 10)
    assert found["next_only"]
    assert found["within_ns"] is None
    pattern = (
        r"sluice: deaf to the packet after a packet with an unknown literal: "
        r"10 of 10 lost, \d+ of \d+ others"
    )
    assert any(re.fullmatch(pattern, one) for one in pymodbus.evidence.findings)


def test_pymodbus_resynchronises(pymodbus):
    """A stray octet and a cut packet cost the next good packet, and no more."""
    for kind in ("a stray octet", "a packet that was cut short"):
        (found,) = after(pymodbus, kind)
        assert (found["lost"], found["of"]) == (10, 10)
        assert found["next_only"]
    assert not after(pymodbus, "a packet with a bad check")
    assert counts(pymodbus, "bad_check")["answered"] == 0
    own = counts(pymodbus, "own")
    assert own["answered"] == own["asked"] - 30
    assert len(pymodbus.shown) == own["answered"]
