"""The loop of a served node: visitors come and go, and nobody is waited for."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

from unit.trial.serve.rig import MS, parsed, rig, traffic

from bench.base.clock import JumpClock
from bench.trial.serve.run import SLICE_NS, TOLD_NS, Serving
from bench.trial.serve.served import Served


@dataclass
class PlayedFar:
    """A far side whose visitors keep to a script: what happens at which instant.

    An entry of the script is "open", "close", "move", octets, or a stall of the
    process in ns.
    """

    clock: JumpClock
    script: list[tuple[int, object]]
    takes: int = 1 << 30
    where: str = "here"
    open: bool = False
    openings: int = 0
    arrived: bytearray = field(default_factory=bytearray)
    told: list[bytearray] = field(default_factory=list)
    fullest: int = 0

    def wait(self, seconds: float, *, hear: bool, tell: bool) -> None:
        """Time passes up to the next thing that happens, if that ends a wait."""
        del tell
        until_ns = self.clock.now_ns() + round(seconds * 10**9)
        if hear and self.script and self.script[0][0] <= until_ns:
            until_ns = max(self.script[0][0], self.clock.now_ns())
        self.clock.advance(until_ns - self.clock.now_ns())
        while self.script and self.script[0][0] <= self.clock.now_ns():
            self._happen(self.script.pop(0)[1])

    def read(self, most: int) -> bytes:
        """What has arrived."""
        octets = bytes(self.arrived[:most])
        del self.arrived[:most]
        self.fullest = max(self.fullest, len(octets))
        return octets

    def write(self, octets: bytes) -> int:
        """Takes what it can."""
        taken = min(self.takes, len(octets))
        self.told[-1] += octets[:taken]
        return taken

    def _happen(self, what: object) -> None:
        if what == "open":
            self.open = True
            self.openings += 1
            self.told.append(bytearray())
        elif what == "close":
            self.open = False
        elif what == "move":
            self.where = "there"
        elif isinstance(what, int):
            self.clock.advance(what)
        else:
            assert isinstance(what, bytes)
            self.arrived += what


class Notes:
    """An onlooker that notes everything."""

    def __init__(self, clock: JumpClock) -> None:
        self._clock = clock
        self.notes: list[tuple[int, str]] = []
        self.figures: list[tuple[int, int]] = []

    def opened(self) -> None:
        """Noted."""
        self.notes.append((self._clock.now_ns() // MS, "opened"))

    def closed(self) -> None:
        """Noted."""
        self.notes.append((self._clock.now_ns() // MS, "closed"))

    def moved(self, where: str) -> None:
        """Noted."""
        self.notes.append((self._clock.now_ns() // MS, f"moved {where}"))

    def stands(self, figures) -> None:
        """Noted."""
        self.figures.append((self._clock.now_ns() // MS, figures.characters))


def visited(script, *, for_ms, takes=1 << 30):
    """A far side after so long, who looked on, the loop, the figures at the end."""
    clock = JumpClock()
    far, notes = PlayedFar(clock, script, takes), Notes(clock)
    serving = Serving(Served(rig(), seed=5), far, clock, notes)
    figures = serving.run(lambda: None, for_ms * MS)
    return far, notes, serving, figures


def visit(at_ms, packets=4, stay_ms=200):
    """One visitor who sends some packets and stays for a while."""
    heaps = [(at_ms * MS + at, octets) for at, octets in traffic(rig(), packets)]
    return [(at_ms * MS, "open"), *heaps, ((at_ms + stay_ms) * MS, "close")]


def test_two_visitors():
    """Each gets the sightings of what he sent, on his own time base."""
    script = [*visit(100), *visit(1000)]
    far, notes, _, figures = visited(script, for_ms=2000)
    assert [what for _, what in notes.notes] == ["opened", "closed"] * 2
    assert [at for at, _ in notes.notes] == [100, 300, 1000, 1200]
    first, second = (parsed(bytes(told)) for told in far.told)
    assert len(first) == len(second) == 4
    assert int(first[0][1]["burst"]) < 20 * MS
    for (_, before), (_, after) in zip(first, second, strict=True):
        assert before["octets"] == after["octets"]
        assert abs(int(before["burst"]) - int(after["burst"])) < 5_000
    assert sum(node.shown for node in figures.nodes.values()) == 8
    assert figures.spent_ns == 1900 * MS


def test_a_new_name_is_told():
    """Once, when the far side has another name."""
    _, notes, _, _ = visited([(10 * MS, "move")], for_ms=50)
    assert notes.notes == [(10, "moved there")]


def test_sightings_come_within_a_slice():
    """A burst that was latched is told no later than a slice after it."""
    (at_ns, octets), *_ = traffic(rig(), 1)
    told_ns = []
    clock = JumpClock()

    class Watched(PlayedFar):
        def write(self, octets):
            told_ns.append(self.clock.now_ns())
            return super().write(octets)

    far = Watched(clock, [(0, "open"), (at_ns, octets)])
    Serving(Served(rig()), far, clock, Notes(clock)).run(lambda: None, 100 * MS)
    ((_, values),) = parsed(bytes(far.told[0]))
    late_ns = told_ns[0] - int(values["shown"])
    assert 0 <= late_ns <= 2 * SLICE_NS


def test_no_more_is_taken_in_than_the_wire_can_carry():
    """Of a second of line sent at once 20 ms wait, and it goes out without a gap."""
    octets = b"\xff" * 400_000
    script: list[tuple[int, object]] = [(0, "open"), (0, octets), (990 * MS, "close")]
    far, _, _, figures = visited(script, for_ms=1100)
    assert far.fullest == 8000
    assert figures.characters == 400_000
    assert figures.gaps == 0
    assert figures.spent_ns - figures.idle_ns == 1000 * MS


def test_a_visitor_who_reads_slowly_holds_nobody_up():
    """Ten octets a time are taken: nodes go on, and lines come whole in the end."""
    far, _, serving, figures = visited(visit(0, stay_ms=4000), for_ms=4000, takes=10)
    assert len(parsed(bytes(far.told[0]))) == 4
    assert sum(node.shown for node in figures.nodes.values()) == 4
    assert serving.longest_ns == SLICE_NS


def test_a_stall_of_the_process_is_told():
    """Held up for 300 ms: the longest slice says so."""
    script: list[tuple[int, object]] = [(0, "open"), (50 * MS, 300 * MS)]
    _, _, serving, _ = visited(script, for_ms=500)
    assert 300 * MS <= serving.longest_ns < 300 * MS + 2 * SLICE_NS


def test_onlookers_hear_now_and_then():
    """Five times a second, and no more."""
    _, notes, _, _ = visited(visit(0), for_ms=1000)
    gaps = [b - a for (a, _), (b, _) in pairwise(notes.figures)]
    assert len(notes.figures) >= 4
    assert min(gaps) >= TOLD_NS // MS


def test_it_stops_when_told():
    """The first slice after the word ends it."""
    clock = JumpClock()
    far = PlayedFar(clock, visit(0))
    serving = Serving(Served(rig()), far, clock, Notes(clock))
    serving.run(lambda: 2 if clock.now_ns() > 30 * MS else None)
    assert clock.now_ns() <= 30 * MS + SLICE_NS
