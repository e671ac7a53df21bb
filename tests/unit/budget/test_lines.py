"""Lines: margins, room, order, what is missing, and strict JSON."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import pytest
from unit.profile.edits import changed

from bench.budget import Budget, BudgetLine, budget
from bench.profile import load_profile, profile_of, shipped_profiles


def line(name: str, value: Any, limit: Any, **more: Any) -> BudgetLine:
    """A line without anything else."""
    return BudgetLine(name, "part", "ns", value, limit, **more)


@pytest.mark.parametrize(
    ("value", "limit", "more", "margin", "holds"),
    [
        (3, 10, {}, 7, True),
        (10, 10, {}, 0, True),
        (10, 10, {"strict": True}, 0, False),
        (11, 10, {}, -1, False),
        (11, 10, {"sense": "least"}, 1, True),
        (9, 10, {"sense": "least"}, -1, False),
        (None, 10, {}, None, None),
        (3, None, {}, None, None),
        (None, 10, {"unbounded": True}, None, False),
        (None, None, {"unbounded": True}, None, None),
    ],
)
def test_margin(
    value: Any, limit: Any, more: dict[str, Any], margin: Any, holds: Any
) -> None:
    """What is left up to the limit, from whichever side it limits."""
    found = line("a", value, limit, **more)
    assert found.margin == margin
    assert found.holds is holds


def test_what_gives_way_first() -> None:
    """The least room, a broken one before any other, those that follow last."""
    kept = line("kept", 9, 10)
    wide = line("wide", 1, 1000)
    aside = line("aside", 10, 10, aside=True)
    caution = line("caution", 20, 10, caution=True)
    assert Budget("p", "", (wide, kept, aside, caution)).tightest == "kept"
    assert Budget("p", "", (wide, kept, aside, caution)).fits
    broken = line("broken", 11, 10)
    endless = line("endless", None, 10, unbounded=True)
    lost = line("lost", 100, 10, aside=True)
    assert Budget("p", "", (kept, endless, lost, broken)).tightest == "broken"
    assert Budget("p", "", (kept, endless, lost)).tightest == "lost"
    assert Budget("p", "", (kept, endless)).tightest == "endless"
    assert not Budget("p", "", (kept, endless)).fits


def test_nothing_to_judge() -> None:
    """A budget without limits fits, and nothing gives way."""
    assert Budget("p", "", (line("a", 1, None),)).fits
    assert Budget("p", "", (line("a", 1, None),)).tightest == ""


@pytest.mark.parametrize("name", shipped_profiles())
def test_shipped_profiles(name: str) -> None:
    """Each fits, each line has a name of its own, and all is strict JSON."""
    found = budget(load_profile(name))
    assert found.fits
    assert found.tightest
    names = [one.name for one in found.lines]
    assert len(names) == len(set(names))
    figures = json.loads(json.dumps(found.as_dict(), allow_nan=False))
    assert figures["fits"] is True
    assert figures["tightest"] == found.tightest
    for one in figures["lines"]:
        assert {"name", "value", "limit", "margin", "unit"} <= set(one)
        assert one["value"] is not None or one["missing"]
        assert one["formula"]
        if one["value"] is None or one["limit"] is None:
            assert one["margin"] is None
        elif one["sense"] == "most":
            left = pytest.approx(one["limit"] - one["value"], abs=1e-6)
            assert one["margin"] == left


def test_kinds_of_nodes() -> None:
    """Nodes that differ have lines of their own, named after them."""
    found = budget(load_profile("causeway", ["node.1.output.clock=500 kHz"]))
    assert found["burst (ebb)"].value < found["burst (slack-water and 2 more)"].value
    assert "burst" not in found
    # One node at 2 MHz is enough to break it.
    broken = budget(load_profile("causeway", ["node.1.output.clock=2 MHz"]))
    assert broken.tightest == "marginal band (ebb)"


def test_numbers_stay_exact() -> None:
    """A third of a microsecond is one, until it is shown."""
    value = budget(load_profile("slipway"))["character"].value
    assert value == Fraction(10_000, 3)


def test_memory() -> None:
    """Two payloads of 3,840 octets, two buffers of 3,840 words; a limit if stated."""
    found = budget(load_profile("causeway", ["processor.ram=15000"]))
    assert found["RAM"].value == 2 * 3840 + 2 * 3840
    assert found["RAM"].holds is False
    assert found["words of 16 bits"].value == 7680
    assert "15" in found["words of 16 bits"].note
    assert not found.fits
    ring = budget(load_profile("slipway"))["RAM"]
    assert ring.value == 2 * 1200 + 2 * 1200 + 256


def test_what_no_trial_plays_has_a_budget() -> None:
    """A half-duplex bus is not simulated, and worked out all the same."""
    profile = profile_of(changed({"bus.direction": "half"}))
    assert budget(profile)["shown"].value is not None


def test_a_packet_that_only_the_next_ends() -> None:
    """It has no latency, and the line says why."""
    settings = [
        "packet.framing=ninth-bit",
        "packet.fields=[{kind='address'},{kind='payload'}]",
        "packet.pad=",
        "bus.data_bits=9",
        "traffic.foreign.lengths=[16]",
    ]
    found = budget(load_profile("causeway", settings))
    assert found["shown"].value is None
    assert "next one begins" in found["shown"].missing
    assert found["FIFO slack"].holds


def test_a_node_that_waits_for_a_sync() -> None:
    """Shown with the sync: latency is up to it; without one nothing is shown."""
    settings = ["processor.show=sync", "traffic.broadcast_every=1"]
    fine = budget(load_profile("causeway", [*settings, "accept.latency="]))
    assert fine["sync"].holds
    # The last node's sync follows its packet at once, and it is not ready yet.
    assert fine["rearranged"].holds is False
    rare = ["processor.show=sync", "traffic.broadcast_every=2"]
    assert budget(load_profile("causeway", rare))["sync"].holds is False


def test_darkness() -> None:
    """A board that darkens sooner than the next packet comes does not fit."""
    settings = ["processor.on_silence=blackout", "processor.blackout_after=60 ms"]
    assert budget(load_profile("causeway", settings))["darkness"].holds
    settings[1] = "processor.blackout_after=45 ms"
    assert budget(load_profile("causeway", settings)).tightest == "darkness"
