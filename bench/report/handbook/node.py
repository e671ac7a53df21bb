"""The nodes on paper: times of the line, receivers, outputs and their lanes."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

from bench.base.grid import NS_PER_S
from bench.base.units import format_count, format_ns, format_rate, format_share
from bench.report.fields import alike, is_shared
from bench.report.handbook.channels import channel_blocks
from bench.report.handbook.document import (
    Facts,
    Section,
    Strip,
    Table,
    Words,
    clean,
    listed,
    plural,
)
from bench.report.handbook.packet import exactly, letter
from bench.report.sheet import burst_words, frame_words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from bench.profile import Profile
    from bench.profile.model import Output, Processor
    from bench.report.handbook.document import Block

Figures = dict[str, Any]
"""What `bench.report.sheet.comes_to` gives."""

_APART = 2
"""Registers that a strip shows before those it leaves out."""


def timing_section(profile: Profile, figures: Figures) -> Section:
    """Characters, packets and frames in time."""
    line = figures["line"]
    varies = any(p["packet_worst_ns"] > p["packet_ns"] for p in line["packets"])
    heads = ("payload", "characters", "time", *["at worst"] * varies)
    rows = [
        (
            plural(packet["payload_octets"], "octet"),
            f"{packet['characters']:.6g}",
            format_ns(packet["packet_ns"]),
            *[format_ns(packet["packet_worst_ns"])] * varies,
        )
        for packet in line["packets"]
    ]
    rate = format_rate(line["frame_rate_hz"], "frames/s")
    most = (
        f"{format_rate(line['most_frame_rate_hz'], 'frames/s')} with own packets alone"
    )
    if varies:
        most += (
            f", {format_rate(line['most_frame_rate_worst_hz'], 'frames/s')} at worst"
        )
    facts = [
        ("character", exactly(profile.bus.character.step)),
        ("frame", f"{format_ns(line['frame_ns'])}: {frame_words(line)}"),
        ("frame rate", f"{rate}, one every {_period(profile)}"),
        ("own load", f"{format_share(line['own_load'])} of the line's time"),
        ("most frame rate", most),
        *_traffic(profile),
    ]
    pattern = clean(profile.traffic.pattern)
    words = (
        "At worst means that stuffing replaces every octet; the other figures are for "
        f"what the pattern {pattern} sends on average."
    )
    told: list[Block] = [Words(words)] if varies else []
    table = Table("Packets to the nodes", heads, rows)
    return Section("Timing on the line", [*told, table, Facts(facts)])


def _period(profile: Profile) -> str:
    return exactly(Fraction(NS_PER_S, profile.traffic.frame_rate_hz))


def _traffic(profile: Profile) -> list[tuple[str, str]]:
    """What is sent beside, and how it is spaced."""
    traffic = profile.traffic
    spread = {"even": "evenly in a frame's time", "together": "back to back"}
    facts = [
        ("packets are sent", f"{spread[traffic.spread]}; {_PACINGS[traffic.pacing]}")
    ]
    if traffic.broadcast_every:
        frames = plural(traffic.broadcast_every, "frame")
        facts.append(("broadcast", f"one after every {frames}"))
    if traffic.foreign.share:
        share = format_share(traffic.foreign.share)
        facts.append(("foreign traffic", f"{share} of the line's time, for tests"))
    return facts


_PACINGS = {
    "packed": "the line never idles, the space between is filled",
    "timed": "at set times",
    "flood": "as many as the line takes",
}


# --- one kind of node -----------------------------------------------------------------


def kind_sections(profile: Profile, figures: Figures) -> list[Section]:
    """Receiver, output and channels of every kind of node."""
    sections = []
    kinds = alike(profile.node)
    whole = (
        "the node's part of the payload" if is_shared(profile.packet) else "the payload"
    )
    for at, (nodes, node) in enumerate(zip(kinds, figures["nodes"], strict=True)):
        of = "" if len(kinds) == 1 else f" of kind {letter(at)}"
        names = listed([clean(one.name) for one in nodes])
        processor, output = nodes[0].processor, nodes[0].output
        receiver = Facts(_receiver(processor, node, figures))
        sections += [
            Section(f"Receiver and processor{of}", [Words(f"Of {names}."), receiver]),
            Section(f"Output{of}", _output(output, node, whole)),
            Section(f"Channels{of}", channel_blocks(output, whole)),
        ]
    return sections


def _receiver(
    processor: Processor, node: Mapping[str, Any], figures: Figures
) -> list[tuple[str, str]]:
    """How characters come in, and what they cost."""
    uart, buffers = processor.uart, processor.buffers
    fifo = plural(uart.fifo, "character")
    facts = [("received by", _RECEIVES[processor.receive]), ("receive FIFO", fifo)]
    if processor.receive == "interrupt":
        facts.append(
            ("interrupt at", f"{plural(uart.trigger, 'character')} in the FIFO")
        )
    if uart.idle_timeout_ns is not None:
        facts.append(("idle timeout", exactly(uart.idle_timeout_ns)))
    if processor.dma is not None:
        facts.append(("ring", plural(processor.dma.octets, "octet")))
    if processor.clock_hz is not None:
        error = processor.clock_error
        off = "" if error is None else f", up to {format_share(error)} off"
        clock = format_rate(processor.clock_hz, "Hz", 9)
        facts.append(("processor clock", f"{clock}{off}"))
    if uart.oversampling is not None:
        parts = "whole numbers" if uart.steps == 1 else f"parts of 1/{uart.steps}"
        facts.append(
            ("baud divisor", f"in {parts}, {uart.oversampling} periods in a bit")
        )
    if processor.ram is not None:
        facts.append(("memory for buffers", plural(processor.ram, "octet")))
    facts.append(("costs", _costs(processor)))
    share = format_share(node["interrupt_share"], 3)
    taken = node["interrupt_characters"]
    cost = f"{format_ns(node['interrupt_per_character_ns'])}, {taken} at a time"
    character = format_ns(figures["line"]["character_ns"])
    facts += [
        ("cost of a character", f"{cost}: {share} of its {character}"),
        ("rearranging", f"{format_ns(node['rearrange_ns'])} a packet, undisturbed"),
        ("receive buffers", f"{buffers.receive}, one a packet"),
        ("port-word buffers", f"{buffers.port_words}, one a burst"),
        ("after a bad packet", _RESYNCS[processor.resync]),
        ("a packet is shown", _SHOWS[processor.show]),
        ("without packets", _silence(processor)),
    ]
    return facts


def _costs(processor: Processor) -> str:
    """What the foreground and the handlers need, one by one."""
    interrupt = processor.interrupt
    costs = [
        ("to enter an interrupt", interrupt.entry_ns),
        ("a character", interrupt.per_character_ns),
        ("a packet for the node", interrupt.per_packet_ns),
        ("an output bit", interrupt.bit_ns),
        ("to leave an interrupt", interrupt.exit_ns),
        ("to start the output", processor.rearrange.start_output_ns),
        ("with interrupts masked, at most", interrupt.masked_ns),
    ]
    if processor.poll is not None:
        costs.insert(0, ("a pass of the loop", processor.poll.pass_ns))
    return ", ".join(f"{format_ns(ns)} {what}" for what, ns in costs if ns)


_RECEIVES = {
    "interrupt": "an interrupt",
    "poll": "a loop that looks at it; deaf while it does anything else",
    "dma": "a ring in memory that fills by itself",
}

_RESYNCS = {
    "forward": "looks on from the octet that showed the fault",
    "timeout": "waits for a silence",
    "rescan": "looks again from just after the bad packet's start",
}

_SHOWS = {"packet": "as it comes", "sync": "when a broadcast packet comes"}


def _silence(processor: Processor) -> str:
    if processor.blackout_after_ns is None:
        return "goes on showing the last one"
    return f"darkens its lanes after {exactly(processor.blackout_after_ns)}"


# --- output ---------------------------------------------------------------------------


def _output(output: Output, node: Mapping[str, Any], whole: str) -> list[Block]:
    """Lanes, the bits on them, the latch."""
    strip = Strip(
        "A burst on one lane, from its first bit to the latch", _burst(output)
    )
    return [
        Words(_order(output, whole)),
        Table(f"Where the lanes lie in {whole}", *_lanes(output)),
        strip,
        Facts([*_clock(output, node), *_latch(output), *_levels(output)]),
    ]


def _levels(output: Output) -> list[tuple[str, str]]:
    """What drives the lanes, and what the chains take for a one."""
    facts = []
    if output.driver_supply_v is not None:
        facts.append(("lanes driven by", f"logic of {output.driver_supply_v:g} V"))
    if output.input is not None:
        far = output.input_supply_v
        at = "" if far is None else f", supply {far:g} V"
        level = {"cmos": "0.7 of their supply", "ttl": "2 V"}[output.input]
        facts.append(("inputs of the chains", f"a one from {level} on{at}"))
    return facts


def _order(output: Output, whole: str) -> str:
    """How payload, lanes and bits go together, with an example."""
    octets = output.lane_octets
    words = (
        f"{whole.capitalize()} holds {octets} octets for lane 0, then as many for "
        f"lane 1, and so on: {output.lanes} lanes, {output.payload_octets} octets. "
    )
    if output.signal == "uart":
        return words + (
            "Each octet goes out as a character of ten bits: a start bit (0), the "
            "octet's eight bits from the lowest on, a stop bit (1). A lane at rest "
            "is 1."
        )
    high = output.bit_order == "msb-first"
    lane, place = min(1, output.lanes - 1), min(1, octets - 1)
    octet = lane * octets + place
    end = "highest" if high else "lowest"
    words += (
        f"Of an octet the {end} bit is shifted out first. So the {end} bit of octet "
        f"{octet} of {whole} is on lane {lane} at clock {8 * place}"
    )
    if output.method in ("dma", "timer"):
        bit = (output.port_bits or tuple(range(output.lanes)))[lane]
        words += f", as bit {bit} of port word {8 * place}"
    fill = 8 * octets - output.lane_bits
    if fill:
        words += f"; the last {plural(fill, 'bit')} of a lane's octets are not sent"
    return f"{words}. Clocks count from 0."


def _lanes(output: Output) -> tuple[Sequence[str], Sequence[Sequence[str]]]:
    """A row a lane."""
    words = output.method in ("dma", "timer")
    bits = output.port_bits or tuple(range(output.lanes))
    heads = ("lane", "first octet", "last octet", *["port-word bit"] * words)
    octets = output.lane_octets
    rows = [
        (
            f"{lane}",
            f"{lane * octets}",
            f"{(lane + 1) * octets - 1}",
            *[f"{bits[lane]}"] * words,
        )
        for lane in range(output.lanes)
    ]
    return heads, rows


def _burst(output: Output) -> list[tuple[str, str]]:
    """The cells of one lane's burst."""
    cells = []
    if output.header_bits:
        cells.append(("header", plural(output.header_bits, "bit")))
    devices, bits = output.devices, plural(output.register_bits, "bit")
    for register in range(devices):
        if register < _APART or register >= devices - 1 or devices <= 2 * _APART + 1:
            cells.append((f"register {register}", bits))
        elif register == _APART:
            cells.append(("and so on", f"{devices - 1 - _APART} registers"))
    kept = output.kept_gap_ns or output.latch_gap_ns
    gap = output.latch_gap_ns
    if output.latch == "strobe":
        cells += [("idle", format_ns(gap)), ("strobe", "shown")]
    else:
        cells += [("idle", format_ns(gap)), ("latched", "shown")]
    if kept > gap:
        cells.append(("idle", f"{format_ns(kept - gap)} more"))
    return cells


def _clock(output: Output, node: Mapping[str, Any]) -> list[tuple[str, str]]:
    """The burst and its clock."""
    facts = [
        ("made by", _METHODS[output.method]),
        ("burst", f"{format_ns(node['burst_ns'])}: {burst_words(node)}"),
    ]
    if output.method in ("dma", "timer"):
        count, size = (
            format_count(output.burst_clocks),
            plural(output.word_octets, "octet"),
        )
        facts.append(("port words", f"{count} of {size} a burst"))
    period = exactly(Fraction(NS_PER_S, output.clock_hz))
    if output.signal == "uart":
        facts.append(("bit", period))
        return facts
    rise = format_share(output.rise)
    facts += [
        ("clock period", period),
        ("clock edge", f"rises at {rise} of its period; a chain takes its bit there"),
        ("set-up", _setup(output)),
    ]
    if output.lead_ns:
        words = f"{exactly(output.lead_ns)} before the first port word is asked for"
        facts.append(
            ("clock starts", f"{words}; a rise in that time is an extra clock")
        )
    if output.method != "dma":
        return facts
    extra = node["first_extra_clock_hz"]
    late = f"{format_ns(node['stop_ns'])} after its last period"
    words = f"stopped {late}, {_STOPS[output.stop]}"
    if extra is not None:
        words += f"; a clock too many from {format_rate(extra)} on"
    return [*facts, ("clock stop", words)]


def _setup(output: Output) -> str:
    if not output.setup_ns:
        return "not stated"
    return f"data stands {format_ns(output.setup_ns)} before the edge, at least"


_METHODS = {
    "dma": "port words, a bit for each lane, moved at the pace of a timer",
    "timer": "port words, a bit for each lane, moved by an interrupt each",
    "port": "hardware shifters, one lane after another",
    "uart": "hardware UARTs, all lanes at once",
}

_STOPS = {
    "dma": "by a second DMA channel",
    "interrupt": "by an interrupt",
    "count": "by a count in hardware",
}


def _latch(output: Output) -> list[tuple[str, str]]:
    """What makes the chains show."""
    gap, kept = output.latch_gap_ns, output.kept_gap_ns or output.latch_gap_ns
    if output.latch == "strobe":
        facts = [("latch", f"by a strobe {exactly(gap)} after the burst's end")]
        if output.strobe_bit is not None:
            facts.append(("strobe", f"bit {output.strobe_bit} of the port word"))
    else:
        facts = [("latch", f"by idle time of {exactly(gap)}, at least")]
    facts.append(("kept idle", f"{exactly(kept)} after every burst"))
    if output.longest_pause_ns is not None:
        pause = exactly(output.longest_pause_ns)
        facts.append(("pause in a burst", f"{pause} at most; a longer one latches"))
    if output.lane_gap_ns:
        facts.append(("between lanes", exactly(output.lane_gap_ns)))
    return facts
