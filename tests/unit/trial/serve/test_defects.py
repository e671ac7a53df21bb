"""Nodes that are bad on purpose: each defect does what it says, and nothing else."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from unit.trial.serve.rig import MS, START_NS, rig, serve, traffic

from bench.base.columns import FLAW, RUN, Line, no_rows
from bench.base.errors import UsageError
from bench.base.grid import Grid
from bench.profile import load_profile
from bench.trial.serve.defects import Characters, Deaf, Defect, Mishears, Misses
from bench.trial.serve.hearing import Hearing
from bench.trial.serve.named import DEFECTS, defects_of
from bench.trial.serve.served import Served
from bench.wire.format import format_of
from bench.wire.packets import build, encode


def told_with(*given_defects: str, packets: int = 40, profile=None, heaps=None):
    """Lines without a defect and with some, of the same traffic."""
    profile = profile or rig()
    heaps = heaps or traffic(profile, packets)
    sound = serve(Served(profile, seed=5), heaps)
    bad = Served(profile, defects_of(given_defects, profile), seed=5)
    return sound, serve(bad, heaps)


def by_node(told, word="shown"):
    """The values of one word's lines, node by node."""
    nodes: dict[str, list[dict[str, str]]] = {}
    for found, values in told:
        if found == word:
            nodes.setdefault(values["node"], []).append(values)
    return nodes


# --- what they do ---------------------------------------------------------------------


def test_drop():
    """Every fourth packet of each node is missing, without a word."""
    sound, bad = told_with("drop=4")
    for node, shown in by_node(sound).items():
        del shown[3::4]
        assert by_node(bad)[node] == shown
    assert {word for word, _ in bad} == {"shown"}


def test_repeat():
    """Every fourth packet of each node comes twice."""
    sound, bad = told_with("repeat=4")
    for node, shown in by_node(sound).items():
        twice = [v for k, v in enumerate(shown, 1) for _ in range(1 + (k % 4 == 0))]
        assert by_node(bad)[node] == twice


def test_wrong_bit():
    """Every third burst differs in one bit, the others in none."""
    sound, bad = told_with("wrong-bit=3")
    for node, shown in by_node(sound).items():
        for count, (was, is_) in enumerate(zip(shown, by_node(bad)[node], strict=True)):
            wrong = int(was["octets"], 16) ^ int(is_["octets"], 16)
            assert wrong.bit_count() == (count % 3 == 2)


def test_extra_clock_is_that_of_a_board_that_stops_too_late():
    """The simulated board that makes one clock too many holds the same bits."""
    sound, bad = told_with("extra-clock=1", packets=8)
    # One clock too many, and nothing else: 2 us after a stop of 4 us periods.
    late = rig("output.stop_latency=2.5 us")
    modelled = serve(Served(late, seed=5), traffic(rig(), 8))
    for node, shown in by_node(modelled).items():
        assert [v["clocks"] for v in shown] == ["33", "33"]
        found = by_node(bad)[node]
        assert [v["clocks"] for v in found] == ["33", "33"]
        assert [v["octets"] for v in found] == [v["octets"] for v in shown]
        assert [v["octets"] for v in found] != [
            v["octets"] for v in by_node(sound)[node]
        ]


def test_wedge():
    """Five packets of each node, and then nothing more."""
    sound, bad = told_with("wedge=5")
    for node, shown in by_node(sound).items():
        assert by_node(bad)[node] == shown[:5]


def test_wedge_is_over_with_a_reset():
    """A wedged node shows again once it has begun anew, and wedges again."""
    profile = rig()
    heaps = traffic(profile, 60)  # 60 packets at 80 a second: 0.75 s
    bad = Served(profile, defects_of(["wedge=2", "reset=300ms"], profile))
    shown = by_node(serve(bad, heaps))
    # Three times two: from 0, from 300 ms and from 600 ms on.
    assert {node: len(rows) for node, rows in shown.items()} == dict.fromkeys(shown, 6)
    assert bad.figures(START_NS + 900 * MS).resets >= 2


# --- what they are --------------------------------------------------------------------


def test_no_check():
    """A packet with a bad check is shown; a sound board drops it."""
    profile = rig()
    heaps = [(at, bytearray(octets)) for at, octets in traffic(profile, 4)]
    for _, octets in heaps:
        octets[20] ^= 1
    sound, bad = told_with("no-check", heaps=heaps)
    assert {word for word, _ in sound} == {"dropped"}
    assert Counter(word for word, _ in bad) == {"shown": 4}


def test_foreign():
    """What is for an address that is nobody's is shown by the first node, too."""
    profile = rig()
    packet = format_of(profile.packet)
    heaps = [
        (k * 10 * MS, encode(packet, build(packet, address=address, payload=bytes(32))))
        for k, address in enumerate([1, 17, 2, 18])
    ]
    sound, bad = told_with("foreign=18", heaps=heaps)
    assert [values["node"] for _, values in sound] == ["1", "2"]
    assert sorted(values["node"] for _, values in bad) == ["1", "1", "2"]
    _, by_profile = told_with("foreign", heaps=heaps)  # the profile's first: 17
    assert sorted(values["node"] for _, values in by_profile) == ["1", "1", "2"]


# --- what they hear -------------------------------------------------------------------


def test_deaf():
    """Hears nothing for 20 ms at the end of each 200 ms; nothing of that is shown."""
    profile = rig()
    heaps = traffic(profile, 40)
    sound, bad = told_with("deaf=20ms", heaps=heaps)
    octets = 2 + 1 + 1 + 2 + 32 + 2  # of a packet; what follows is padding
    in_deafness = [
        at_ns for at_ns, _ in heaps if at_ns % (200 * MS) + 2500 * octets > 180 * MS
    ]
    assert 0 < len(in_deafness) < len(heaps)
    shown = [word for word, _ in bad].count("shown")
    assert len(sound) - shown == len(in_deafness)


@pytest.mark.parametrize("defect", ["miss=250", "mishear=250"])
def test_bad_hearing_spoils_packets(defect):
    """Every 250th character: some packets are shown, some are dropped."""
    sound, bad = told_with(defect)
    words = Counter(word for word, _ in bad)
    assert words["shown"] < len(sound)
    assert words["dropped"] > 0
    sent = {values["octets"] for _, values in sound}
    assert {values["octets"] for word, values in bad if word == "shown"} <= sent


@given(
    st.lists(st.tuples(st.integers(0, 50), st.integers(1, 30)), max_size=6),
    st.integers(1, 9),
    st.integers(2, 7),
)
def test_characters_that_are_heard_stay_where_they_were(stretches, every, den):
    """Whatever is missed: the others keep their starts, and runs are whole."""
    pitch = Grid.of(1000 * den + 1, den)
    rows, octets, now = [], 0, 0
    for gap, count in stretches:
        now += 1 + gap
        rows.append((octets, now, 0))
        octets += count
        now = pitch.at(count, now) + 1
    data = np.arange(octets, dtype=np.uint8)
    line = Line(data, np.array(rows, RUN), no_rows(FLAW), 0, now)
    whole = Hearing(pitch, [_Nothing()]).heard(line)
    starts = dict(
        zip(data.tolist(), Hearing(pitch)._starts(line).tolist(), strict=True)
    )
    assert np.array_equal(whole.octets, data)
    assert np.array_equal(whole.runs, line.runs)
    heard = Hearing(pitch, [Misses(every)]).heard(line)
    expected = [octet for octet in range(octets) if (octet + 1) % every]
    assert heard.octets.tolist() == expected
    found = Hearing(pitch)._starts(heard).tolist() if expected else []
    assert found == [starts[octet] for octet in expected]
    if expected:
        assert heard.runs["first"][0] == 0


class _Nothing(Defect):
    """Hears everything, by the way round that bad hearing takes."""

    hears = True

    def hear(self, characters: Characters) -> None:
        """Changes nothing."""


@given(st.integers(1, 20), st.lists(st.integers(0, 30), max_size=8))
def test_every_nth_does_not_depend_on_slices(every, counts):
    """The nth, 2nth, 3nth characters, however they are cut."""
    defect, spoilt, first = Mishears(every), [], 0
    for count in counts:
        characters = Characters(
            first,
            np.zeros(count, np.int64),
            np.zeros(count, np.uint8),
            np.ones(count, bool),
        )
        defect.hear(characters)
        spoilt += characters.octets.tolist()
        first += count
    assert spoilt == [int((k + 1) % every == 0) for k in range(first)]


def test_deafness_ends_at_the_nanosecond():
    """Of ten times 100 ns the last 100: 900 is not heard, 899 and 1000 are."""
    characters = Characters(
        0, np.array([0, 899, 900, 999, 1000]), np.zeros(5, np.uint8), np.ones(5, bool)
    )
    Deaf(100).hear(characters)
    assert characters.heard.tolist() == [True, True, False, False, True]


# --- when -----------------------------------------------------------------------------


def test_reset_is_told():
    """Every 150 ms all nodes begin anew, and each says so."""
    sound, bad = told_with("reset=150ms", packets=24)  # 0.3 s and 0.2 s after it
    resets = by_node(bad, "reset")
    assert {node: len(rows) for node, rows in resets.items()} == dict.fromkeys(
        by_node(sound), 3
    )
    assert {values["cause"] for rows in resets.values() for values in rows} == {"fault"}


def test_late_lines():
    """The same lines, a hundred milliseconds later, and none before."""
    profile = rig()
    ((_, octets),) = traffic(profile, 1)
    served = Served(profile, defects_of(["late-lines=100 ms"], profile))
    served.arrive(octets, START_NS)
    served.play(START_NS + 30 * MS)
    assert served.queue.due(START_NS + 129 * MS) == b""
    assert served.queue.due(START_NS + 130 * MS).startswith(b"shown node=")


# --- named ----------------------------------------------------------------------------


@pytest.mark.parametrize("one", DEFECTS, ids=lambda one: one.name)
def test_every_defect_can_be_switched_on_by_name(one):
    """Its name alone will do; its line is one line."""
    (made,) = defects_of([one.name], rig())
    assert isinstance(made, Defect)
    assert "\n" not in one.told
    assert len(f"{one.written}  {one.told}") < 100


@pytest.mark.parametrize(
    ("given_defects", "what"),
    [
        (["dorp"], "no such fault: dorp"),
        (["drop=0"], "not a number: 0"),
        (["drop=x"], "not a number: x"),
        (["drop="], "not a number"),
        (["drop=3", "drop=4"], "given twice: drop"),
        (["no-check=1"], "takes no value: no-check=1"),
        (["deaf=5"], "no unit: 5"),
        (["deaf=0 s"], "out of range: 0 s"),
        (["foreign=2"], "not a foreign address: 2"),
        (["foreign=256"], "not a foreign address: 256"),
    ],
)
def test_what_cannot_be_switched_on(given_defects, what):
    """One line, with where it stood."""
    with pytest.raises(UsageError) as refused:
        defects_of(given_defects, rig())
    assert what in str(refused.value)
    assert "--fault" in str(refused.value)


def test_near_names_are_named():
    """A slip of the hand is mended."""
    with pytest.raises(UsageError, match=r"did you mean extra-clock\?"):
        defects_of(["extra-clok"], rig())


def test_lanes_without_a_clock_have_no_extra_clock():
    """UART lanes cannot be clocked once too often."""
    with pytest.raises(UsageError, match="no extra clock"):
        defects_of(["extra-clock"], load_profile("jetty"))
