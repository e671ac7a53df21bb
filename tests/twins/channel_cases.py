"""Channel maps drawn at random, as an output table has them."""

from __future__ import annotations

from hypothesis import strategies as st

from bench.profile.model import Output

ORDERS = ["msb-first", "lsb-first"]
NAMES = ["amber", "blue", "cool", "deep-red", "green", "red"]


@st.composite
def layouts(draw: st.DrawFn, room: int) -> list[dict]:
    """Channels in a register, with gaps, in any order."""
    found: list[dict] = []
    at = draw(st.integers(0, 3))
    for name in draw(st.lists(st.sampled_from(NAMES), min_size=1, unique=True)):
        bits = draw(st.integers(1, 20))
        if at + bits > room:
            break
        found.append({"name": name, "first": at, "bits": bits, **draw(_kinds())})
        at += bits + draw(st.sampled_from([0, 0, 1, 5]))
    found = found or [{"name": "amber", "first": 0, "bits": 1}]
    return draw(st.permutations(found))


def _kinds() -> st.SearchStrategy[dict]:
    return st.fixed_dictionaries(
        {"red": st.booleans()},
        optional={"order": st.sampled_from(ORDERS), "inverted": st.booleans()},
    )


@st.composite
def _said(draw: st.DrawFn, room: int) -> dict:
    """What may be said of any lanes, of registers of so many bits."""
    said: dict = {"bits": draw(st.integers(1, min(32, room)))}
    for key, values in (
        ("order", st.sampled_from(ORDERS)),
        ("inverted", st.booleans()),
        ("device_0", st.sampled_from(["first-out", "last-out"])),
    ):
        if draw(st.booleans()):
            said[key] = draw(values)
    if draw(st.booleans()):
        said["layout"] = draw(layouts(room))
    else:
        said["layout"] = []
        most = room // said["bits"] - 1
        said["red"] = draw(st.lists(st.integers(0, most), max_size=2, unique=True))
    return said


@st.composite
def outputs(draw: st.DrawFn) -> dict:
    """Any small output, aligned to octets or not."""
    lanes, devices = draw(st.integers(1, 4)), draw(st.integers(1, 3))
    register = draw(st.integers(1, 40))
    channel = draw(_said(register))
    exceptions = []
    free = draw(st.permutations(range(lanes)))
    while free and draw(st.booleans()):
        count = draw(st.integers(1, len(free)))
        fewer = draw(st.integers(0, devices))
        size = draw(st.integers(1, devices * register // max(1, fewer)))
        own = {"lanes": free[:count], "devices": fewer, "register_bits": size}
        small = {"lanes": own["lanes"], "inverted": draw(st.booleans())}
        whole = {**own, **draw(_said(size))}
        exceptions.append(draw(st.sampled_from([small, whole])))
        free = free[count:]
    return {
        "lanes": lanes,
        "devices": devices,
        "register_bits": register,
        "header_bits": draw(st.integers(0, 17)),
        "bit_order": draw(st.sampled_from(ORDERS)),
        "signal": draw(st.sampled_from(["clocked", "uart"])),
        "channel": {**channel, "lane": exceptions},
    }


def output_of(table: dict) -> Output:
    """The same as a model."""
    return Output.model_validate({"clock": 1, "latch_gap": "1 us", **table})
