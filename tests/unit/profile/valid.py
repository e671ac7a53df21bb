"""Random profiles that are sound, as the file would hold them."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from bench.base.units import BAUD, DURATION, FREQUENCY, SHARE, Kind

Draw = st.DrawFn
Tables = dict[str, Any]

DELIMITERS = {"cobs": "00", "slip": "C0", "hdlc": "7E"}


def written(kind: Kind, least: int, most: int) -> st.SearchStrategy[str]:
    """Text of a quantity in a range."""
    return st.integers(least, most).map(kind.text)


def shares(most: float = 1.0) -> st.SearchStrategy[Any]:
    """A share, written either way."""
    return st.floats(0.001, most) | st.floats(0.001, most).map(SHARE.text)


def some(draw: Draw, **keys: st.SearchStrategy[Any]) -> Tables:
    """A table with some of these keys."""
    return {key: draw(values) for key, values in keys.items() if draw(st.booleans())}


@st.composite
def buses(draw: Draw) -> Tables:
    """A bus of eight data bits."""
    bus = some(
        draw,
        parity=st.sampled_from(["none", "even", "odd", "mark", "space"]),
        stop_bits=st.sampled_from([1, 1.5, 2, 2.0]),
        cable=st.sampled_from(["20 m", "1.2 km", "15.5 cm"]),
        unit_loads=st.floats(0.01, 8),
        termination=st.sampled_from(["120 Ohm", "150 Ω", "0.1 kOhm"]),
        bias=st.sampled_from(["523 Ohm", "650Ω"]),
        virtual_idle=written(DURATION, 0, 10_000),
    )
    bus["baud"] = draw(written(BAUD, 10**5, 6 * 10**6) | st.integers(10**5, 6 * 10**6))
    if draw(st.booleans()):
        bus["direction"] = "half"
        bus |= some(draw, turnaround=written(DURATION, 0, 10**6))
    return bus


@st.composite
def packets(draw: Draw, payload: int) -> Tables:
    """A packet that can carry so many octets."""
    framings = ["marker", "silence", "break", "ninth-bit", *DELIMITERS]
    framing = draw(st.sampled_from(framings))
    size: Tables = {"octets": payload}
    if draw(st.booleans()):
        size = {
            "least": draw(st.integers(0, payload)),
            "most": payload + draw(st.integers(0, 99)),
        }
    fields = [
        {"kind": "address", "size": draw(st.integers(1, 2)), "broadcast": [255]},
        {"kind": "length", "size": 2, **some(draw, add=st.integers(0, 8))},
        {"kind": "payload", **size},
    ]
    if framing == "marker" or (framing != "ninth-bit" and draw(st.booleans())):
        fields.insert(
            0,
            {
                "kind": "literal",
                "octets": draw(st.sampled_from(["A5 5A", "5a", "3C2D"])),
            },
        )
    if draw(st.booleans()):
        fields.insert(-1, {"kind": "sequence"})
    if draw(st.booleans()):
        algorithm = draw(st.sampled_from(["CRC-16/MODBUS", "sum-8"]))
        parameters = {"width": 16, "poly": 0x1021, **some(draw, refin=st.booleans())}
        check = {
            "kind": "check",
            "algorithm": draw(st.sampled_from([algorithm, parameters])),
        }
        fields.append(check | some(draw, covers=st.just(["address", "payload"])))
    packet: Tables = {"framing": framing, "fields": fields}
    if framing in DELIMITERS or framing == "marker":
        pad = DELIMITERS.get(framing, "FF")
        packet |= some(draw, pad=st.just(pad), line_errors=st.just("accept"))
    packet["silence"] = draw(written(DURATION, 250_000, 10**6))
    packet |= some(draw, pause=written(DURATION, 200_000, 250_000))
    if framing == "break":
        packet |= {
            "break": "200 us",
            "mark_after_break": draw(written(DURATION, 1, 10**5)),
        }
    return packet


@st.composite
def processors(draw: Draw) -> Tables:
    """A processor."""
    fifo = draw(st.integers(1, 256))
    body = draw(st.sampled_from(["drain", "one", "count"]))
    interrupt = {"body": body, "per_character": draw(written(DURATION, 1, 10**4))}
    if body == "count":
        interrupt["count"] = draw(st.integers(1, 256))
    interrupt |= some(
        draw,
        entry=written(DURATION, 0, 10**4),
        masked=written(DURATION, 0, 10**6),
        priority=st.permutations(["receive", "bit", "complete"]),
    )
    uart = {"fifo": fifo, "trigger": draw(st.integers(1, fifo))}
    uart |= some(
        draw,
        ready=shares(),
        idle_timeout=written(DURATION, 1, 10**6),
        overrun=st.sampled_from(["drop", "hold", "overwrite", "stall"]),
    )
    processor = {"uart": uart, "interrupt": interrupt}
    receive = draw(st.sampled_from([None, "interrupt", "poll", "dma"]))
    if receive:
        processor["receive"] = receive
    if receive == "poll":
        processor["poll"] = {"pass": draw(written(DURATION, 1, 10**4))}
    if receive == "dma":
        processor["dma"] = {"octets": draw(st.integers(2, 65536))}
    return processor | some(
        draw,
        resync=st.sampled_from(["forward", "timeout", "rescan"]),
        clock=written(FREQUENCY, 10**6, 10**9),
        rearrange=st.fixed_dictionaries({"per_octet": written(DURATION, 0, 10**4)}),
        buffers=st.fixed_dictionaries({"receive": st.integers(1, 64)}),
    )


@st.composite
def channel_maps(draw: Draw, lanes: int) -> Tables:
    """Channels of registers of at least eight bits."""
    names = draw(st.lists(st.sampled_from(["red", "amber", "w-2"]), unique=True))
    layout = [{"name": name, "bits": 2, **draw(channel_kinds())} for name in names]
    channel: Tables = {"bits": 8} | ({"layout": layout} if layout else {"red": [0]})
    lane = st.integers(0, lanes - 1)
    if draw(st.booleans()):
        channel["lane"] = [{"lanes": [draw(lane)], **draw(channel_kinds())}]
    return channel


def channel_kinds() -> st.SearchStrategy[Tables]:
    """What both a channel and a lane may say of theirs."""
    order = st.sampled_from(["msb-first", "lsb-first"])
    kinds = {"order": order, "inverted": st.booleans()}
    return st.fixed_dictionaries({}, optional=kinds)


@st.composite
def outputs(draw: Draw) -> tuple[Tables, int]:
    """An output stage, and the octets that fill its lanes."""
    lanes, devices = draw(st.integers(1, 8)), draw(st.integers(1, 10))
    bits, header = 8 * draw(st.integers(1, 8)), draw(st.integers(0, 32))
    output: Tables = {
        "lanes": lanes,
        "devices": devices,
        "register_bits": bits,
        "header_bits": header,
        "clock": draw(written(FREQUENCY, 10**5, 4 * 10**6)),
        "latch_gap": draw(written(DURATION, 50_000, 10**6)),
    }
    method = draw(st.sampled_from([None, "dma", "timer", "port", "uart"]))
    if method:
        output["method"] = method
    if method == "uart" or (method == "timer" and draw(st.booleans())):
        output["signal"] = "uart"
    output |= some(
        draw,
        word_octets=st.sampled_from([1, 2, 4, 8, 16]),
        rise=shares(0.999),
        longest_pause=written(DURATION, 10_000, 50_000),
        kept_gap=written(DURATION, 1, 10**6),
        channel=channel_maps(lanes),
    )
    return output, lanes * -(-(header + devices * bits) // 8)


@st.composite
def observes(draw: Draw) -> Tables:
    """How nodes are seen; tables of ways that are not taken may be there."""
    tells = st.lists(st.sampled_from(["octets", "clocks", "lost"]), unique=True)
    observe: Tables = some(
        draw,
        by=st.sampled_from(["simulated", "lines", "capture"]),
        lines=st.fixed_dictionaries({}, optional={"tells": tells}),
        lane=st.fixed_dictionaries(
            {"port": st.just("COM7"), "lane": st.integers(0, 9)}
        ),
        reply=st.fixed_dictionaries({"window": written(DURATION, 1, 10**9)}),
    )
    if draw(st.booleans()):
        counters = [{"name": "shown", "at": draw(st.integers(0, 9))}]
        observe["status"] = {
            "counters": counters,
            "wrap_bits": draw(st.integers(8, 64)),
        }
    return observe


@st.composite
def valid_tables(draw: Draw) -> Tables:
    """A sound profile; what its nodes have alike stands where chance puts it."""
    output, payload = draw(outputs())
    processor = draw(processors())
    addresses = draw(st.lists(st.integers(1, 200), min_size=1, max_size=4, unique=True))
    nodes: list[Tables] = [
        {"name": f"lamp-{address}", "address": address} for address in addresses
    ]
    tables: Tables = {
        "profile": 1,
        "name": draw(st.from_regex(r"\A[a-z0-9][a-z0-9_-]{0,9}\Z")),
        "bus": draw(buses()),
        "packet": draw(packets(payload)),
        "node": nodes,
        "traffic": draw(traffics(payload)),
        **some(
            draw,
            summary=st.text(),
            accept=accepts(),
            light=lights(),
            observe=observes(),
        ),
    }
    silent = tables["packet"]["framing"] == "silence"
    if tables["packet"]["framing"] == "ninth-bit":
        tables["bus"] |= {"data_bits": 9, "parity": "none"}
    tables["traffic"]["pacing"] = (
        "timed" if silent else draw(st.sampled_from(["packed", "flood"]))
    )
    for key, table in (("processor", processor), ("output", output)):
        if draw(st.booleans()):
            tables[key] = table
            if draw(st.booleans()):
                nodes[0][key] = dict(list(table.items())[: draw(st.integers(0, 3))])
        else:
            for node in nodes:
                node[key] = table
    return tables


@st.composite
def traffics(draw: Draw, payload: int) -> Tables:
    """Traffic with some for others."""
    foreign = {"share": draw(shares()), "addresses": [201, 250], "lengths": [payload]}
    traffic = {"frame_rate": draw(written(FREQUENCY, 1, 10)), "foreign": foreign}
    return traffic | some(
        draw,
        spread=st.just("together"),
        dither=shares(),
        broadcast_every=st.integers(0, 9),
    )


def accepts() -> st.SearchStrategy[Tables]:
    """Limits."""
    return st.fixed_dictionaries(
        {
            "loss": shares(),
            "confidence": shares(0.999),
            "latency": written(DURATION, 1, 10**9),
        }
    )


def lights() -> st.SearchStrategy[Tables]:
    """What the lights may do."""
    return st.fixed_dictionaries(
        {
            "channel": st.sampled_from(["5 mA", "0.02 A"]),
            "cap": shares(),
            "safe_level": st.just(0),
        }
    )
