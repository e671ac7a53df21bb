"""Rules about a node: its receiver, its interrupt, its output stage.

Whether it is fast enough is no rule: that is what trials find out.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.base.units import DURATION, FREQUENCY, format_ns
from bench.profile.rules.packet import payload_field, payload_range
from bench.profile.rules.rule import Broken, broken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Profile
    from bench.profile.schema import Path


def _processor(node: int) -> Path:
    return ("node", node, "processor")


def _output(node: int) -> Path:
    return ("node", node, "output")


# --- processor ------------------------------------------------------------------------


def trigger_reached(profile: Profile, node: int) -> Iterator[Broken]:
    """The FIFO can hold as many characters as assert the interrupt."""
    uart, path = profile.node[node].processor.uart, (*_processor(node), "uart")
    if uart.trigger > uart.fifo:
        limit = (f"1 to {uart.fifo}, as ", (*path, "fifo"))
        yield broken((*path, "trigger"), "trigger above the FIFO", uart.trigger, *limit)


def idle_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """An idle timeout that fires on an empty FIFO is one."""
    uart, path = profile.node[node].processor.uart, (*_processor(node), "uart")
    if uart.idle_on_empty and uart.idle_timeout_ns is None:
        expected = ("false, or a duration at ", (*path, "idle_timeout"))
        yield broken((*path, "idle_on_empty"), "no idle timeout", "true", *expected)


def mute_possible(profile: Profile, node: int) -> Iterator[Broken]:
    """A receiver that hears addresses needs characters that are marked as such."""
    packet = profile.packet
    if not profile.node[node].processor.uart.mute:
        return
    path = (*_processor(node), "uart", "mute")
    if packet.framing != "ninth-bit":
        expected = ("false, or ninth-bit at ", ("packet", "framing"))
        yield broken(path, "no marked characters", "true", *expected)
        return
    first = packet.fields[0]
    if first.kind == "address" and first.size > 1:
        one = ("false, or one octet at ", ("packet", "fields", 0, "size"))
        yield broken(path, "address of more than one character", "true", *one)


def poll_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """A polled receiver has its loop, and no other has one."""
    yield from _stated(profile, node, "poll", "a section with its pass")


def ring_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """A receiver by DMA has its ring, and no other has one."""
    yield from _stated(profile, node, "dma", "a section with its octets")


def _stated(profile: Profile, node: int, method: str, needed: str) -> Iterator[Broken]:
    """What belongs to one way of receiving is there, and only then."""
    processor, path = profile.node[node].processor, _processor(node)
    section, way = getattr(processor, method), (*path, "receive")
    if processor.receive == method and section is None:
        expected = (f"{needed}, for {method} at ", way)
        yield broken((*path, method), "required key missing", "", *expected)
    if processor.receive != method and section is not None:
        expected = (f"none, or {method} at ", way)
        yield broken((*path, method), "section without use", "", *expected)


def arbitration_short(profile: Profile, node: int) -> Iterator[Broken]:
    """A character is in the ring before the next one completes."""
    ring, character = profile.node[node].processor.dma, profile.bus.character.at(1)
    if ring is not None and ring.arbitration_ns >= character:
        limit = f"less than {format_ns(character)}, a character at "
        path = (*_processor(node), "dma", "arbitration")
        what, text = "longer than a character", DURATION.text(ring.arbitration_ns)
        yield broken(path, what, text, limit, ("bus", "baud"))


def blackout_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """Darkness comes after a stated while, and only where it comes at all."""
    processor, path = profile.node[node].processor, _processor(node)
    after, dark = processor.blackout_after_ns, processor.on_silence == "blackout"
    if dark and after is None:
        expected = ("a duration, for blackout at ", (*path, "on_silence"))
        yield broken((*path, "blackout_after"), "required key missing", "", *expected)
    if not dark and after is not None:
        expected = ("none, or blackout at ", (*path, "on_silence"))
        what, text = "while without use", DURATION.text(after)
        yield broken((*path, "blackout_after"), what, text, *expected)


def bit_cost_used(profile: Profile, node: int) -> Iterator[Broken]:
    """Output bits cost interrupts where a timer's interrupts move them."""
    bit_ns = profile.node[node].processor.interrupt.bit_ns
    if bit_ns and profile.node[node].output.method != "timer":
        expected = ("0 ns, or timer at ", (*_output(node), "method"))
        path = (*_processor(node), "interrupt", "bit")
        yield broken(path, "cost without use", DURATION.text(bit_ns), *expected)


def count_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """A count belongs to body = count, and that to a count."""
    interrupt = profile.node[node].processor.interrupt
    path = (*_processor(node), "interrupt")
    if interrupt.body == "count" and interrupt.count is None:
        expected = ("an integer, for count at ", (*path, "body"))
        yield broken((*path, "count"), "required key missing", "", *expected)
    if interrupt.body != "count" and interrupt.count is not None:
        expected = ("none, or count at ", (*path, "body"))
        yield broken((*path, "count"), "count without use", interrupt.count, *expected)


def priority_complete(profile: Profile, node: int) -> Iterator[Broken]:
    """The order of priority names every interrupt once."""
    priority = profile.node[node].processor.interrupt.priority
    if sorted(priority) != ["bit", "complete", "receive"]:
        path = (*_processor(node), "interrupt", "priority")
        expected = "receive, bit and complete, each once"
        yield broken(path, "not an order", ", ".join(priority), expected)


def silence_known(profile: Profile, node: int) -> Iterator[Broken]:
    """A receiver that resynchronises by timeout has one."""
    resync = profile.node[node].processor.resync
    if resync == "timeout" and profile.packet.silence_ns is None:
        expected = ("forward or rescan, or a duration at ", ("packet", "silence"))
        path = (*_processor(node), "resync")
        yield broken(path, "no timeout to wait for", resync, *expected)


# --- output ---------------------------------------------------------------------------


def lanes_fit_words(profile: Profile, node: int) -> Iterator[Broken]:
    """A port word has a bit for every lane; shifters and UARTs have no port words."""
    output, path = profile.node[node].output, _output(node)
    bits = 8 * output.word_octets
    if output.method in ("dma", "timer") and output.lanes > bits:
        limit = (f"at most {bits}, the bits of ", (*path, "word_octets"))
        what = "more lanes than a port word has bits"
        yield broken((*path, "lanes"), what, output.lanes, *limit)


def port_bits_apart(profile: Profile, node: int) -> Iterator[Broken]:
    """Every lane and the strobe have a bit of the port word of their own."""
    output, path = profile.node[node].output, _output(node)
    bits = output.port_bits or tuple(range(output.lanes))
    places = (*path, "port_bits") if output.port_bits else (*path, "lanes")
    width = 8 * output.word_octets
    if len(bits) != output.lanes:
        limit = (f"{output.lanes}, one for each of ", (*path, "lanes"))
        yield broken(places, "not a bit for each lane", len(bits), *limit)
    for lane, bit in enumerate(output.port_bits):
        if bit >= width:
            limit = (f"0 to {width - 1}, by ", (*path, "word_octets"))
            yield broken((*places, lane), "no such bit of a port word", bit, *limit)
        if bit in bits[:lane]:
            other = (*places, bits.index(bit))
            what = "port-word bit of two lanes"
            yield broken((*places, lane), what, bit, "another than ", other)
    strobe = output.strobe_bit
    if strobe is None:
        return
    at = (*path, "strobe_bit")
    if output.latch != "strobe":
        expected = ("none, or strobe at ", (*path, "latch"))
        yield broken(at, "strobe without use", strobe, *expected)
    elif strobe in bits:
        lane = bits.index(strobe)
        other = (*places, lane) if output.port_bits else places
        what = f"strobe on the bit of lane {lane}"
        yield broken(at, what, strobe, "a bit that is not in ", other)


def signal_possible(profile: Profile, node: int) -> Iterator[Broken]:
    """Hardware UARTs send characters, shifters do not."""
    output, path = profile.node[node].output, _output(node)
    wanted = {"uart": "uart", "port": "clocked"}.get(output.method, output.signal)
    if output.signal != wanted:
        expected = (f"{wanted}, for {output.method} at ", (*path, "method"))
        yield broken(
            (*path, "signal"), "signal of other hardware", output.signal, *expected
        )


def times_used(profile: Profile, node: int) -> Iterator[Broken]:
    """What delays port words by DMA, a gap between lanes: only where there are any."""
    output, path = profile.node[node].output, _output(node)
    words = output.method == "dma"
    clocked = words and output.signal == "clocked"
    rows = (
        ("transfer_jitter", output.transfer_jitter_ns, words, "dma"),
        ("stolen", output.stolen_ns, words, "dma"),
        ("lead", output.lead_ns, clocked, "dma"),
        ("lane_gap", output.lane_gap_ns, output.method == "port", "port"),
    )
    for key, value, used, method in rows:
        if value and not used:
            signal = key == "lead" and words
            at = (*path, "signal" if signal else "method")
            word = "clocked" if signal else method
            expected = (f"0 ns, or {word} at ", at)
            text = DURATION.text(value)
            yield broken((*path, key), "time without use", text, *expected)
    if output.rate_error and output.signal != "uart":
        expected = ("0, or uart at ", (*path, "signal"))
        yield broken(
            (*path, "rate_error"), "error without use", output.rate_error, *expected
        )


def bits_in_order(profile: Profile, node: int) -> Iterator[Broken]:
    """Port words that carry UART lanes are less than half a bit late."""
    output, path = profile.node[node].output, _output(node)
    late = 2 * output.transfer_jitter_ns * output.clock_hz
    if output.method == "dma" and output.signal == "uart" and late >= NS_PER_S:
        limit = (
            f"less than {format_ns(NS_PER_S / (2 * output.clock_hz))}, half a bit at "
        )
        what, text = "bits out of order", DURATION.text(output.transfer_jitter_ns)
        yield broken((*path, "transfer_jitter"), what, text, limit, (*path, "clock"))


def payload_fits_packet(profile: Profile, node: int) -> Iterator[Broken]:
    """A payload that fills the lanes is one that the packet can carry."""
    found, output = payload_field(profile.packet), profile.node[node].output
    if not found or found[1].shared:
        return
    path, (least, most) = found[0], payload_range(found[1])
    if least <= most and not least <= output.payload_octets <= most:
        limit = (f"{least} to {most} octets, as ", path)
        what, text = "no packet fills the lanes", f"{output.payload_octets} octets"
        yield broken(_output(node), what, text, *limit)


def jitter_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """Only a stop by the second DMA channel waits for the bus."""
    output, path = profile.node[node].output, _output(node)
    if output.stop_jitter_ns and output.stop != "dma":
        expected = ("0 ns, or dma at ", (*path, "stop"))
        text = DURATION.text(output.stop_jitter_ns)
        yield broken((*path, "stop_jitter"), "jitter without use", text, *expected)


def period_below_gap(profile: Profile, node: int) -> Iterator[Broken]:
    """The chains do not latch between two clocks of a burst."""
    output, path = profile.node[node].output, _output(node)
    if output.latch != "gap" or output.signal == "uart":
        return
    key, longest = "longest_pause", output.longest_pause_ns
    if longest is None:
        key, longest = "latch_gap", output.latch_gap_ns - 1
    elif longest > output.latch_gap_ns:
        limit = f"at most {DURATION.text(output.latch_gap_ns)}, as "
        what, text = "pause longer than the latch gap", DURATION.text(longest)
        yield broken((*path, key), what, text, limit, (*path, "latch_gap"))
    if longest * output.clock_hz < NS_PER_S:
        limit = f"a period of at most {format_ns(longest)}, by "
        what, text = "clock too slow for its chain", FREQUENCY.text(output.clock_hz)
        yield broken((*path, "clock"), what, text, limit, (*path, key))


def burst_fits_frame(profile: Profile, node: int) -> Iterator[Broken]:
    """A burst is shown before the next frame's begins."""
    output, frame_rate = profile.node[node].output, profile.traffic.frame_rate_hz
    gap = output.kept_gap_ns or output.latch_gap_ns
    needed = output.burst_s * NS_PER_S + gap
    if needed > Fraction(NS_PER_S, frame_rate):
        limit = (f"at most {format_ns(NS_PER_S / frame_rate)}, a period of ",)
        what, text = "burst and latch gap outlast a frame", format_ns(float(needed))
        rate = ("traffic", "frame_rate")
        yield broken((*_output(node), "clock"), what, text, *limit, rate)


# --- the rest -------------------------------------------------------------------------


def name_alone(profile: Profile, node: int) -> Iterator[Broken]:
    """No two nodes have one name."""
    name = profile.node[node].name
    names = [profile.node[other].name for other in range(node)]
    if name in names:
        expected = ("another than ", ("node", names.index(name), "name"))
        yield broken(("node", node, "name"), "name of two nodes", name, *expected)


NODE_RULES = (
    trigger_reached,
    idle_stated,
    mute_possible,
    poll_stated,
    ring_stated,
    arbitration_short,
    blackout_stated,
    bit_cost_used,
    count_stated,
    priority_complete,
    silence_known,
    lanes_fit_words,
    port_bits_apart,
    signal_possible,
    times_used,
    bits_in_order,
    payload_fits_packet,
    jitter_stated,
    period_below_gap,
    burst_fits_frame,
    name_alone,
)
