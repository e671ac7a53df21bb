"""The nodes in C: addresses by name, receiver, buffers, output, times in clock cycles.

Nodes that differ in more than their name are of several kinds; whoever builds the
firmware of one says of which, and finds its figures under the same names as if there
were no other.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.budget.bus.clocks import divisor_for
from bench.report.fields import alike, is_shared, line_times
from bench.report.header.channels import channels_part
from bench.report.header.lines import Part, hexadecimal, number, number_list
from bench.report.header.names import identifiers
from bench.report.header.packet import frame_ns
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.profile import Profile
    from bench.profile.model import Node, Output, Processor


def nodes_part(prefix: str, profile: Profile) -> list[str]:
    """The addresses of the nodes, and of which kind each is."""
    part = Part(prefix, "the nodes")
    part.define("NODES", number(len(profile.node)))
    address = format_of(profile.packet).layout.address
    size = 1 if address is None else address.size
    kinds = alike(profile.node)
    kind_of = {node.name: kind for kind, like in enumerate(kinds) for node in like}
    shared = is_shared(profile.packet)
    names = identifiers([node.name for node in profile.node])
    for name, node in zip(names, profile.node, strict=True):
        part.define(f"NODE_{name}_ADDRESS", hexadecimal(node.address, size), node.name)
        if shared:
            part.define(
                f"NODE_{name}_SLOT_AT",
                number(max(0, node.address - 1)),
                "its first octet in the payload",
            )
        if len(kinds) > 1:
            part.define(f"NODE_{name}_KIND", number(kind_of[node.name]))
    return part.lines()


def kinds_part(prefix: str, profile: Profile) -> list[str]:
    """What holds for one kind of node, for every kind."""
    kinds = alike(profile.node)
    if len(kinds) == 1:
        return _kind(prefix, profile, kinds[0])
    chosen = f"{prefix}_KIND"
    say = Part(prefix, "nodes of several kinds")
    say.say(f"define {chosen} as the _KIND of a node above before this file is")
    say.say("included; without it nothing that differs is here")
    lines = [*say.lines(), "", f"#ifdef {chosen}"]
    for index, nodes in enumerate(kinds):
        lines += ["", f"#{'el' if index else ''}if {chosen} == {index}"]
        lines += _kind(prefix, profile, nodes)
    error = f'#error "{chosen} is no kind of node"'
    return [*lines, "", "#else", error, "#endif", "#endif"]


def _kind(prefix: str, profile: Profile, nodes: list[Node]) -> list[str]:
    """What holds for one kind of node."""
    processor, output = nodes[0].processor, nodes[0].output
    names = ", ".join(node.name for node in nodes)
    receiver = Part(prefix, "the receiver")
    receiver.say(f"of {names}")
    _receiver(receiver, processor)
    lanes = Part(prefix, "the output")
    _lanes(lanes, output)
    _latch(lanes, output)
    words = Part(prefix, "buffers and port words")
    _buffers(words, processor, output)
    lines = [*receiver.lines(), *lanes.lines(), *words.lines()]
    lines += channels_part(prefix, output)
    if processor.clock_hz is not None:
        lines += _cycles(prefix, profile, nodes[0], processor.clock_hz)
    return lines


def _receiver(part: Part, processor: Processor) -> None:
    """How characters come in."""
    uart = processor.uart
    part.mark(f"RECEIVE_{processor.receive.upper()}")
    part.define("FIFO_CHARACTERS", number(uart.fifo), "depth of the receive FIFO")
    part.define("FIFO_TRIGGER", number(uart.trigger), "characters that interrupt")
    if uart.idle_timeout_ns is not None:
        what = "idle time that interrupts"
        part.time("IDLE_TIMEOUT", uart.idle_timeout_ns, what)
    if processor.dma is not None:
        octets = number(processor.dma.octets)
        part.define("RING_OCTETS", octets, "the ring that receives, in memory")
    part.either("MUTE", uart.mute, "1: the receiver itself drops what is foreign")
    part.mark(f"RESYNC_{processor.resync.upper()}", _RESYNC[processor.resync])
    sync = processor.show == "sync"
    part.either("SHOW_ON_SYNC", sync, "1: shown when a broadcast packet comes")
    if processor.blackout_after_ns is not None:
        what = "without a packet, then darkness"
        part.time("BLACKOUT_AFTER", processor.blackout_after_ns, what)


_RESYNC = {
    "forward": "after a bad packet: on from the octet that showed it",
    "timeout": "after a bad packet: deaf until a silence",
    "rescan": "after a bad packet: again from just after its start",
}


def _lanes(part: Part, output: Output) -> None:
    """Lanes, devices and bits."""
    clocked = output.signal == "clocked"
    part.mark(f"OUTPUT_{output.method.upper()}", _METHODS[output.method])
    part.define("LANES", number(output.lanes))
    part.define("DEVICES", number(output.devices), "in the chain of one lane")
    part.define("REGISTER_BITS", number(output.register_bits), "of one device")
    part.define("HEADER_BITS", number(output.header_bits), "that lead on every lane")
    part.define("LANE_BITS", number(output.lane_bits), "header and registers")
    part.define("LANE_OCTETS", number(output.lane_octets), "of one lane in a payload")
    filling = number(output.payload_octets)
    part.define("BURST_OCTETS", filling, "of payload fill every lane, lane 0 first")
    high_first = clocked and output.bit_order == "msb-first"
    part.either("MSB_FIRST", high_first, "1: high bit of an octet out first")
    part.mark("LANES_CLOCKED" if clocked else "LANES_UART", _SIGNALS[output.signal])
    rate = number(output.clock_hz)
    part.define("LANE_HZ" if clocked else "LANE_BAUD", rate)
    steps = number(output.burst_clocks)
    part.define("BURST_CLOCKS" if clocked else "BURST_BITS", steps, "of every lane")
    part.time("BURST", output.burst_s * NS_PER_S, "from first bit to end")
    if clocked:
        rise = number(round(1000 * output.rise))
        part.define("RISE_PERMILLE", rise, "of the period, where the clock rises")


_METHODS = {
    "dma": "port words, moved at the pace of a timer",
    "timer": "port words, one interrupt for each",
    "port": "hardware shifters, one lane after another",
    "uart": "hardware UARTs, all lanes at once",
}

_SIGNALS = {
    "clocked": "data beside a clock",
    "uart": "start bit, eight bits from the lowest, stop bit",
}


def _latch(part: Part, output: Output) -> None:
    """What makes the chains show."""
    strobe = output.latch == "strobe"
    part.either("LATCH_STROBE", strobe, "1: by a strobe, 0: by idle time")
    what = (
        "from the end of a burst to the strobe"
        if strobe
        else "least idle time that latches"
    )
    part.time("LATCH_GAP", output.latch_gap_ns, what)
    kept = output.kept_gap_ns or output.latch_gap_ns
    part.time("KEPT_GAP", kept, "to keep idle after every burst")
    if output.longest_pause_ns is not None:
        what = "inside a burst; a longer one latches"
        part.time("LONGEST_PAUSE", output.longest_pause_ns, what)
    if output.lane_gap_ns:
        part.time("LANE_GAP", output.lane_gap_ns, "between one lane and the next")


def _buffers(part: Part, processor: Processor, output: Output) -> None:
    """Octets that have to be kept."""
    buffers = processor.buffers
    part.define("RECEIVE_BUFFERS", number(buffers.receive))
    part.define("RECEIVE_BUFFER_OCTETS", number(output.payload_octets), "each")
    part.define("PORT_BUFFERS", number(buffers.port_words))
    if output.method in ("port", "uart"):
        part.say("no port words: each lane's octets go to its own hardware")
        part.define("PORT_BUFFER_OCTETS", number(output.payload_octets), "each")
        return
    words = output.burst_clocks
    size = words * output.word_octets
    part.define("WORD_OCTETS", number(output.word_octets), "of a port word")
    part.define("BURST_WORDS", number(words), "one for each bit of a lane")
    part.define("PORT_BUFFER_OCTETS", number(size), "each")
    bits = output.port_bits or tuple(range(output.lanes))
    part.say("port-word bit of each lane")
    for lane, bit in enumerate(bits):
        part.define(f"LANE_{lane}_BIT", number(bit))
    part.define("LANE_BIT_LIST", number_list(bits))
    if output.strobe_bit is not None:
        part.define("STROBE_BIT", number(output.strobe_bit))


def _cycles(prefix: str, profile: Profile, node: Node, clock_hz: int) -> list[str]:
    """The same times in cycles of the processor's clock."""
    part = Part(prefix, "times in cycles of the processor's clock")
    part.define("CPU_HZ", number(clock_hz))
    processor, output = node.processor, node.output
    part.cycles("CHARACTER", profile.bus.character.step, clock_hz)
    for name, _, ns in line_times(profile):
        part.cycles(name.upper().replace(" ", "_"), ns, clock_hz)
    part.cycles("FRAME", frame_ns(profile), clock_hz)
    part.cycles("LANE_BIT", Fraction(NS_PER_S, output.clock_hz), clock_hz)
    times: dict[str, int | None] = {
        "IDLE_TIMEOUT": processor.uart.idle_timeout_ns,
        "BLACKOUT_AFTER": processor.blackout_after_ns,
        "LATCH_GAP": output.latch_gap_ns,
        "KEPT_GAP": output.kept_gap_ns or output.latch_gap_ns,
        "LONGEST_PAUSE": output.longest_pause_ns,
        "LANE_GAP": output.lane_gap_ns or None,
    }
    for name, known_ns in times.items():
        if known_ns is not None:
            part.cycles(name, known_ns, clock_hz)
    return [*part.lines(), *_divisor(prefix, profile, processor, clock_hz)]


def _divisor(
    prefix: str, profile: Profile, processor: Processor, clock_hz: int
) -> list[str]:
    """What divides the processor's clock into the baud of the bus."""
    uart = processor.uart
    if uart.oversampling is None:
        return []
    part = Part(prefix, "the baud divisor")
    made = divisor_for(clock_hz, profile.bus.baud, uart.oversampling, uart.steps)
    part.say(f"makes {float(made.rate):.9g} baud, {100 * float(made.error):+.4g} %")
    part.define("UART_OVERSAMPLING", number(uart.oversampling), "periods in a bit")
    part.define("UART_DIVISOR", number(made.whole), "its part before the point")
    if made.steps > 1:
        part.define("UART_DIVISOR_STEPS", number(made.steps), "of its fraction")
        part.define("UART_DIVISOR_FRACTION", number(made.fraction), "of those steps")
    return part.lines()
