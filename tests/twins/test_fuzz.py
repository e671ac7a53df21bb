"""Cases are drawn as numpy draws them, and disturbed lines read as a receiver does."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np
import pytest
from twins.fuzz_twin import bits_of, draw_rows, level_at
from unit.fuzz.boards import NAMES, attacks_on

from bench.base.columns import Flaw
from bench.base.seeds import stream_key
from bench.fuzz.attacks import KINDS
from bench.fuzz.attacks.kinds import NUMBER_OF
from bench.fuzz.cases import AFTER, FILL, Case
from bench.wire.characters import Character, CharacterReader, Idle
from bench.wire.waveform import characters_of


@pytest.mark.parametrize("name", NAMES)
def test_rows_are_drawn_as_numpy_draws(name):
    """Kinds, places and values of two hundred cases, and what is around them."""
    attacks = attacks_on(name)
    ranges = {
        number: (one.places, one.least, one.most, one.specials)
        for number, one in attacks.ranges.items()
    }
    table = [
        number for number, one in attacks.ranges.items() for _ in range(one.weight)
    ]
    key = stream_key(5, "fuzz choices")
    for case in attacks.draw(5, 1000, 200):
        rows, after = draw_rows(key, case.number, ranges, table)
        assert [tuple(row) for row in case.rows.tolist()] == rows
        assert case.around == (AFTER | FILL if after else FILL)


def heard(laid, piece):
    """The characters that a receiver had of one piece: start, octet, flaw."""
    first, end = int(piece["first"]), int(piece["first"] + piece["octets"])
    flaws = {int(row["at"]): int(row["kind"]) for row in laid.line.flaws}
    return [
        (int(laid.starts[at]), int(laid.line.octets[at]), flaws.get(at, 0))
        for at in range(first, end)
    ]


def read_levels(changes, bus, start_ns):
    """The same from level changes, by the receiver of the wire."""
    reader = CharacterReader(characters_of(bus), start_ns=start_ns)
    for change in changes:
        reader.change(*change)
    reader.until(changes[-1][0] + 40 * 10**9 // bus.baud)
    read = []
    for event in reader.events():
        if isinstance(event, Idle):
            continue
        if isinstance(event, Character):
            read.append((event.start_ns, event.octet, int(event.flaw or 0)))
        else:
            read.append((event.start_ns, 0, int(Flaw.BREAK)))
    return read


@pytest.mark.parametrize("name", ["causeway", "jetty", "slipway", "modbus-rtu"])
@pytest.mark.parametrize("kind", ["spike", "baud-offset", "baud-drift"])
def test_disturbed_lines_are_read_as_a_receiver_reads(name, kind):
    """A piece that is worked out level by level, drawn here by a ruler.

    The good packet of the same case without its fault says which octets were sent.
    """
    attacks = attacks_on(name)
    ground, bus = attacks.ground, attacks.ground.profile.bus
    number = NUMBER_OF[kind]
    halves = 2 * (1 + bus.data_bits + (bus.parity != "none")) + round(2 * bus.stop_bits)
    for case in attacks.draw(3, 0, 12, only=[kind]):
        row = case.rows[:1]
        one = Case(row, case.seed, case.number, before=0, around=0)
        calm = np.array([[NUMBER_OF["calm"], 0, 0]])
        sound = attacks.lay(Case(calm, case.seed, case.number, before=0, around=0))
        laid = attacks.lay(one)
        sent = sound.pieces[0]
        octets = sound.line.octets[: int(sent["octets"])].tolist()
        piece = laid.pieces[0]
        assert piece["kind"] == number
        start_ns, place, value = int(piece["start_ns"]), int(row[0, 1]), int(row[0, 2])
        ppm = -value if place else value
        whole = len(octets) * halves

        def at(half, kind=kind, start_ns=start_ns, ppm=ppm, whole=whole):
            ns = half * 10**9 // (2 * bus.baud)
            if kind == "spike":
                return start_ns + ns
            part = ppm * half // whole if kind == "baud-drift" else ppm
            return start_ns + ns - ns * part // 10**6

        spike = (0, 0)
        if kind == "spike":
            from_ns = start_ns + place * 10**9 // (2 * bus.baud)
            spike = (from_ns, from_ns + value)
        form = bus.data_bits, bus.parity, halves
        edges = {at(k) for k in range(whole + 1)} | {ns for ns in spike if ns}
        bits = [
            (at(k * halves), bits_of(octet, False, *form[:2]))
            for k, octet in enumerate(octets)
        ]
        assert len(bits) == len(octets)
        changes, level = [], 1
        for ns in sorted(edges):
            now = level_at(ns, *near(octets, at, halves, ns), form, spike)
            if now != level:
                changes.append((ns, now))
                level = now
        assert level == 1
        assert heard(laid, piece) == read_levels(changes, bus, start_ns), KINDS[number]
        assert ground.node == 0


def near(octets, at, halves, ns):
    """The character around an instant and the one before, and where places are then.

    Levels at an instant are those of the last change before it.
    """
    starts = [at(k * halves) for k in range(len(octets))]
    first = max(0, bisect_right(starts, ns) - 2)
    return octets[first : first + 2], lambda half: at(first * halves + half)
