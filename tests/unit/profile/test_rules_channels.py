"""Rules about the channel map."""

from __future__ import annotations

from typing import Any

import pytest
from unit.profile.edits import faults

from bench.base.errors import ProfileError
from bench.profile import load_profile, parse_profile, to_toml
from bench.profile.channels import ChannelMap
from bench.profile.model import Channel

RED = {"name": "red", "bits": 16, "red": True}
AMBER = {"name": "amber", "bits": 12}


def channel(**table: Any) -> dict[str, Any]:
    """The causeway with this channel map."""
    return {"output.channel": table}


BROKEN: dict[str, tuple[dict[str, Any], str]] = {
    "wide channel": (
        {"output.register_bits": 15},
        (
            "channel wider than its register: 16, expected at most 15, as "
            "output.register_bits @ output.channel.bits"
        ),
    ),
    "wide channel of a lane": (
        channel(bits=16, lane=[{"lanes": [1], "register_bits": 12}]),
        (
            "channel wider than its register: 16, expected at most 12, as "
            "output.channel.lane.0.register_bits @ output.channel.bits"
        ),
    ),
    "no such red channel": (
        channel(bits=16, red=[0, 12]),
        (
            "no such channel: 12, expected 0 to 11, by the bits of "
            "output.register_bits @ output.channel.red.1"
        ),
    ),
    "no such red channel on a lane": (
        channel(bits=16, lane=[{"lanes": [1], "bits": 32, "red": [6]}]),
        (
            "no such channel: 6, expected 0 to 5, by the bits of "
            "output.register_bits @ output.channel.lane.0.red.0"
        ),
    ),
    "beyond the register": (
        channel(layout=[RED, {"name": "amber", "first": 180, "bits": 16}]),
        (
            "channel beyond its register: amber, bits 180 to 195, expected bits 0 to "
            "191, as output.register_bits @ output.channel.layout.1"
        ),
    ),
    "beyond the register of a lane": (
        channel(layout=[RED, AMBER], lane=[{"lanes": [0], "register_bits": 24}]),
        (
            "channel beyond its register: amber, bits 16 to 27, expected bits 0 to 23, "
            "as output.channel.lane.0.register_bits @ output.channel.layout.1"
        ),
    ),
    "one bit of two channels": (
        channel(layout=[RED, {**AMBER, "first": 15}]),
        (
            "bit of two channels: bit 15 of amber, expected none of red, "
            "output.channel.layout.0 @ output.channel.layout.1"
        ),
    ),
    "one channel inside another": (
        channel(
            layout=[
                {"name": "white", "first": 40, "bits": 4},
                {**AMBER, "first": 100},
                {"name": "blue", "first": 32, "bits": 32},
            ]
        ),
        (
            "bit of two channels: bit 40 of blue, expected none of white, "
            "output.channel.layout.0 @ output.channel.layout.2"
        ),
    ),
    "one bit of two channels of a lane": (
        channel(bits=16, lane=[{"lanes": [2], "layout": [RED, {**AMBER, "first": 0}]}]),
        (
            "bit of two channels: bit 0 of amber, expected none of red, "
            "output.channel.lane.0.layout.0 @ output.channel.lane.0.layout.1"
        ),
    ),
    "two of one name": (
        channel(layout=[RED, AMBER, RED]),
        (
            "name of two channels: red, expected another than "
            "output.channel.layout.0.name @ output.channel.layout.2.name"
        ),
    ),
    "a name that patterns use": (
        channel(layout=[RED, {"name": "dim"}]),
        (
            "word of patterns: dim, expected none of the words of traffic.pattern "
            "@ output.channel.layout.1.name"
        ),
    ),
    "red by index and by name": (
        channel(layout=[RED, AMBER], red=[0]),
        (
            "indexes beside a layout: 0, expected none, and red = true in "
            "output.channel.layout @ output.channel.red"
        ),
    ),
    "no such lane": (
        channel(bits=16, lane=[{"lanes": [7, 8], "inverted": True}]),
        (
            "no such lane: 8, expected 0 to 7, as output.lanes "
            "@ output.channel.lane.0.lanes.1"
        ),
    ),
    "lane of two exceptions": (
        channel(
            bits=16,
            lane=[{"lanes": [1, 2], "inverted": True}, {"lanes": [2], "bits": 8}],
        ),
        (
            "lane of two exceptions: 2, expected another than "
            "output.channel.lane.0.lanes.1 @ output.channel.lane.1.lanes.0"
        ),
    ),
    "lane too short": (
        channel(bits=16, lane=[{"lanes": [1], "devices": 21}]),
        (
            "lane too short for its devices: 4032 bits, expected at most 3840, as "
            "output.devices @ output.channel.lane.0.devices"
        ),
    ),
    "name in other letters": (
        channel(layout=[{"name": "Red"}]),
        (
            'wrong form: "Red", expected text such as "amber" '
            "@ output.channel.layout.0.name"
        ),
    ),
    "misspelt key": (
        channel(layout=[{"name": "red", "frist": 3}]),
        "unknown key: frist @ output.channel.layout.0.frist (did you mean first?)",
    ),
}

SOUND: dict[str, dict[str, Any]] = {
    "last channel": channel(bits=16, red=[11]),
    "last bit": channel(layout=[{"name": "red", "first": 176, "bits": 16}]),
    "side by side, in any order": channel(
        layout=[{**AMBER, "first": 16}, {**RED, "first": 0}]
    ),
    "red by index but for the lanes that say it by name": channel(
        bits=16, red=[0], lane=[{"lanes": [3], "layout": [RED, AMBER]}]
    ),
    "as many as fit, on a lane": channel(
        layout=[RED, AMBER], lane=[{"lanes": [3], "layout": [], "bits": 8, "red": [23]}]
    ),
    "other devices on a lane": channel(
        bits=16, lane=[{"lanes": [0], "devices": 40, "register_bits": 96}]
    ),
    "nothing on a lane": channel(bits=16, lane=[{"lanes": [6, 7], "devices": 0}]),
}


@pytest.mark.parametrize(("changes", "line"), BROKEN.values(), ids=BROKEN)
def test_broken(changes: dict[str, Any], line: str) -> None:
    """A broken rule is said once, with both places, and nothing else is."""
    assert faults(changes) == [line]


@pytest.mark.parametrize("changes", SOUND.values(), ids=SOUND)
def test_sound(changes: dict[str, Any]) -> None:
    """What is just inside a rule is sound."""
    assert faults(changes) == []


def test_rules_beside_faults_of_shape() -> None:
    """Rules about what is sound of a map speak along with what has the wrong shape."""
    lines = faults(
        {
            "output.channel": {
                "order": "upwards",  # silences what would look at it
                "lane": [{"lanes": [9], "inverted": True}],
            }
        }
    )
    assert lines == [
        (
            'unknown choice: "upwards", expected msb-first or lsb-first '
            "@ output.channel.order"
        ),
        (
            "no such lane: 9, expected 0 to 7, as output.lanes "
            "@ output.channel.lane.0.lanes.0"
        ),
    ]


def test_a_map_of_one_node() -> None:
    """What a node's own table says of its map is named there."""
    own = {"node.2.output": {"channel": {"layout": [RED, RED]}}}
    first, second = (f"node.2.output.channel.layout.{k}.name" for k in range(2))
    line = f"name of two channels: red, expected another than {first} @ {second}"
    assert faults(own) == [line]


def test_a_map_is_read_back_as_it_was() -> None:
    """A map with all there is survives its own text, and so do its columns."""
    layout = '[{name="red",red=true,order="lsb-first"},{name="blue",first=20,bits=9}]'
    first = '{lanes=[1],inverted=true,device_0="last-out"}'
    second = f"{{lanes=[2],bits=3,layout={layout}}}"
    lane = f"[{first},{second}]"
    profile = load_profile(
        "causeway", [f"output.channel={{bits=11,layout={layout},lane={lane}}}"]
    )
    again = parse_profile(to_toml(profile))
    assert again == profile
    before, after = ChannelMap(profile.node[0]), ChannelMap(again.node[0])
    assert before.names == after.names == ["red", "blue"]
    assert (before.rows == after.rows).all()
    assert len(before) == 8 * 20 * 2


def test_an_unchecked_map_is_refused() -> None:
    """Whoever makes a profile past the loader is told by the map itself."""
    node = load_profile("causeway").node[0]
    channels = Channel.model_validate({"layout": [RED, {**AMBER, "first": 0}]})
    output = node.output.model_copy(update={"channel": channels})
    with pytest.raises(ProfileError, match="bit of two channels") as caught:
        ChannelMap(node.model_copy(update={"output": output}))
    assert caught.value.faults[0].where == "output.channel.layout.1"
