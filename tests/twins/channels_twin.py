"""Plain twin of the channel map, bit by bit from its definition.

A lane's octets are spelled out as the list of their bits in the order in which bits of
a lane are counted; header, registers and channels are then cut from that list.
"""

from __future__ import annotations


def lane_bits(output: dict, lane: int) -> list[int]:
    """Bits of the payload (0: the top bit of octet 0) in the order of one lane."""
    octets = lane_octets(output)
    within = range(8) if output["bit_order"] == "msb-first" else range(7, -1, -1)
    return [
        8 * octet + bit
        for octet in range(lane * octets, (lane + 1) * octets)
        for bit in within
    ]


def lane_octets(output: dict) -> int:
    """Octets of a lane: header and registers, the last octet filled up."""
    bits = output["header_bits"] + output["devices"] * output["register_bits"]
    return (bits + 7) // 8


def channels(output: dict) -> list[dict]:
    """Every channel: lane, device, channel, name, red, inverted, and its bits.

    `places` are bits of the payload, the channel's most significant one first.
    """
    return [one for lane in range(output["lanes"]) for one in _lane(output, lane)]


def _lane(output: dict, lane: int) -> list[dict]:
    said = {key: value for key, value in output["channel"].items() if key != "lane"}
    said = {"devices": output["devices"], **said}
    said = {"register_bits": output["register_bits"], **said}
    for exception in output["channel"].get("lane", []):
        if lane in exception["lanes"]:
            said |= exception
    bits = lane_bits(output, lane)[output["header_bits"] :]
    carried = output["devices"] * output["register_bits"]
    used = said["devices"] * said["register_bits"]
    bits = bits[:carried]
    bits = bits[:used] if output["signal"] == "uart" else bits[carried - used :]
    size = said["register_bits"]
    registers = [bits[size * k : size * (k + 1)] for k in range(said["devices"])]
    if said.get("device_0") == "last-out":
        registers.reverse()
    return [
        {"lane": lane, "device": device, "channel": index, **one}
        for device, register in enumerate(registers)
        for index, one in enumerate(_device(register, said))
    ]


def _device(register: list[int], said: dict) -> list[dict]:
    layout = said.get("layout") or [
        {"name": "red" if k in said.get("red", ()) else "", "red": k in said["red"]}
        if "red" in said
        else {"name": ""}
        for k in range(len(register) // said["bits"])
    ]
    found, after = [], 0
    for one in layout:
        first = one.get("first", after)
        after = first + one.get("bits", said["bits"])
        places = register[first:after]
        if one.get("order", said.get("order")) == "lsb-first":
            places.reverse()
        found.append(
            {
                "name": one["name"],
                "red": one.get("red", False),
                "inverted": one.get("inverted", said.get("inverted", False)),
                "places": places,
            }
        )
    return found


def light(output: dict, payload: bytes) -> list[int]:
    """The light of every channel in a payload."""
    bits = "".join(f"{octet:08b}" for octet in payload)
    return [
        int("".join(_seen(bits[place], one) for place in one["places"]), 2)
        for one in channels(output)
    ]


def _seen(bit: str, channel: dict) -> str:
    """A bit of light: the other one where the channel is inverted."""
    return bit if not channel["inverted"] else "10"[int(bit)]


def payload(output: dict, levels: list[int], onto: bytes | None = None) -> bytes:
    """The payload with this light, its other bits zero or those of another payload."""
    size = output["lanes"] * lane_octets(output)
    bits = list("".join(f"{octet:08b}" for octet in onto or bytes(size)))
    for one, level in zip(channels(output), levels, strict=True):
        for place, bit in zip(
            one["places"], f"{level:0{len(one['places'])}b}", strict=True
        ):
            bits[place] = _seen(bit, one)
    return int("".join(bits) or "0", 2).to_bytes(size, "big")
