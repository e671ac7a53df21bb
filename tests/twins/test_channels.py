"""The channel map against its plain twin, and against numpy's own count of bits."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from twins import channels_twin as twin
from twins.channel_cases import output_of, outputs

from bench.profile.channels import ChannelMap, dark_payload, level_payload


def map_of(table: dict) -> ChannelMap:
    """The map of a table."""
    return ChannelMap(node_of(table))


def node_of(table: dict):
    """As much of a node as a map looks at."""
    return SimpleNamespace(name="ebb", output=output_of(table))


def drawn(data: st.DataObject, size: int) -> np.ndarray:
    """Some payloads of so many octets."""
    packets = data.draw(st.lists(st.binary(min_size=size, max_size=size), max_size=3))
    return np.frombuffer(b"".join(packets), np.uint8).reshape(len(packets), size)


@settings(deadline=None)
@given(outputs())
def test_every_channel_is_where_the_twin_has_it(table):
    """Lane, device, index, name, colour, polarity and bits, channel by channel."""
    channels = map_of(table)
    found = [
        {
            "lane": row["lane"],
            "device": row["device"],
            "channel": row["channel"],
            "name": channels.names[row["name"]],
            "red": row["red"],
            "inverted": row["inverted"],
            "places": places[places >= 0].tolist(),
        }
        for row, places in zip(channels.rows, channels.places, strict=True)
    ]
    assert found == twin.channels(table)


@settings(deadline=None)
@given(outputs(), st.data())
def test_light_is_that_of_the_twin(table, data):
    """Any octets are read alike; what was read is written back as it was."""
    channels = map_of(table)
    payloads = drawn(data, channels.octets)
    light = channels.decode(payloads)
    assert light.tolist() == [twin.light(table, bytes(one)) for one in payloads]
    assert (channels.encode(light, payloads) == payloads).all()
    bare = channels.encode(light)
    assert [bytes(one) for one in bare] == [
        twin.payload(table, levels) for levels in light.tolist()
    ]
    assert (channels.decode(bare) == light).all()


@settings(deadline=None)
@given(outputs(), st.data())
def test_any_light_is_written_and_read(table, data):
    """Round trip of any light; bits of no channel are those of what was there."""
    channels = map_of(table)
    levels = [data.draw(st.integers(0, full)) for full in channels.full.tolist()]
    size = channels.octets
    base = data.draw(st.none() | st.binary(min_size=size, max_size=size))
    onto = None if base is None else np.frombuffer(base, np.uint8)[None]
    written = channels.encode(np.array([levels], np.int64).reshape(1, -1), onto)
    assert channels.decode(written).tolist() == [levels]
    assert bytes(written[0]) == twin.payload(table, levels, base)


@settings(deadline=None)
@given(outputs(), st.data())
def test_bits_are_counted_as_numpy_counts_them(table, data):
    """`numpy.unpackbits` as referee: the bits at a channel's places are its number."""
    channels = map_of(table)
    payloads = drawn(data, channels.octets)
    bits = np.unpackbits(payloads, axis=1).astype(np.int64)
    number = np.zeros((len(payloads), len(channels)), np.int64)
    for column in channels.places.T:
        inside = column >= 0
        number[:, inside] = 2 * number[:, inside] + bits[:, column[inside]]
    light = channels.decode(payloads)
    inverted = channels.rows["inverted"]
    assert (number == np.where(inverted, channels.full - light, light)).all()


@settings(deadline=None)
@given(outputs(), st.floats(0, 1))
def test_even_light(table, share):
    """Every channel at a share of full, rounded down; dark is no light at all."""
    channels, node = map_of(table), node_of(table)
    full = channels.full.tolist()
    dark = twin.payload(table, [0] * len(full))
    assert dark_payload(node) == level_payload(node, 0) == dark
    assert level_payload(node, 1) == twin.payload(table, full)
    (light,) = channels.decode(
        np.frombuffer(level_payload(node, share), np.uint8)[None]
    )
    assert light.tolist() == [int(share * most) for most in full]


def test_by_hand():
    """A lane of a header and two devices, worked out on paper.

    Bits as they leave: a header of 4, then device 1 and device 0 with registers of 12:
    red in 4 bits, two bits of nobody, amber in 6, its low bit first, inverted.
    """
    layout = [
        {"name": "red", "bits": 4, "red": True},
        {"name": "amber", "first": 6, "bits": 6, "order": "lsb-first"},
    ]
    layout[1]["inverted"] = True
    table = {
        "lanes": 1,
        "devices": 2,
        "register_bits": 12,
        "header_bits": 4,
        "bit_order": "msb-first",
        "channel": {"device_0": "last-out", "layout": layout},
    }
    channels = map_of(table)
    # header 1111; device 1: 0101 11 110100; device 0: 1000 11 001111; filler 1111
    payload = int("11110101111101001000110011111111", 2).to_bytes(4, "big")
    found = channels.decode(np.frombuffer(payload, np.uint8)[None])
    # 001111 with its low bit first is 60, 110100 is 11; inverted: 3 and 52
    assert found.tolist() == [[8, 3, 5, 52]]
    assert channels.rows["device"].tolist() == [0, 0, 1, 1]
    assert channels.names == ["red", "amber"]
    # no light: red at 0, amber at 111111, nothing else set
    dark = int("00000000001111110000001111110000", 2).to_bytes(4, "big")
    assert dark_payload(node_of(table)) == dark


def test_light_out_of_range_is_refused():
    """Light below nothing or above full cannot be written."""
    table = {"lanes": 1, "devices": 1, "register_bits": 8, "channel": {"bits": 4}}
    channels = map_of(table)
    for light in ([16, 0], [0, -1]):
        with pytest.raises(ValueError, match="below nothing or above full"):
            channels.encode(np.array([light]))
    with pytest.raises(ValueError, match="below nothing or above full"):
        channels.encode(np.array([[0.5, 1.1]]))
