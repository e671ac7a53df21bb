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

    from bench.profile.model import Output, Profile
    from bench.profile.schema import Path

_UART_BITS = 10
"""Bits of a character on a UART lane: start, eight, stop."""


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
    """A port word has a bit for every lane; hardware shifters have no port words."""
    output, path = profile.node[node].output, _output(node)
    bits = 8 * output.word_octets
    if output.method != "port" and output.lanes > bits:
        limit = (f"at most {bits}, the bits of ", (*path, "word_octets"))
        what = "more lanes than a port word has bits"
        yield broken((*path, "lanes"), what, output.lanes, *limit)


def payload_fits_packet(profile: Profile, node: int) -> Iterator[Broken]:
    """A payload that fills the lanes is one that the packet can carry."""
    found, output = payload_field(profile.packet), profile.node[node].output
    if not found:
        return
    path, (least, most) = found[0], payload_range(found[1])
    if least <= most and not least <= output.payload_octets <= most:
        limit = (f"{least} to {most} octets, as ", path)
        what, text = "no packet fills the lanes", f"{output.payload_octets} octets"
        yield broken(_output(node), what, text, *limit)


def channels_fit_register(profile: Profile, node: int) -> Iterator[Broken]:
    """A device's register holds its channels, and the red ones are among them."""
    output, path = profile.node[node].output, (*_output(node), "channel")
    bits, register = output.channel.bits, (*_output(node), "register_bits")
    if bits > output.register_bits:
        limit = (f"at most {output.register_bits}, as ", register)
        yield broken((*path, "bits"), "channel wider than its register", bits, *limit)
        return
    channels = output.register_bits // bits
    for index, red in enumerate(output.channel.red):
        if red >= channels:
            limit = (f"0 to {channels - 1}, by the bits of ", register)
            yield broken((*path, "red", index), "no such channel", red, *limit)


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
    if output.latch != "gap" or output.method == "uart":
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


def burst_ns(output: Output) -> Fraction:
    """From the first rollover of a burst to its end, without the stop."""
    clocks = output.burst_clocks
    if output.method == "port":
        clocks *= output.lanes
    elif output.method == "uart":
        clocks = output.lane_octets * _UART_BITS
    return Fraction(clocks * NS_PER_S, output.clock_hz)


def burst_fits_frame(profile: Profile, node: int) -> Iterator[Broken]:
    """A burst is shown before the next frame's begins."""
    output, frame_rate = profile.node[node].output, profile.traffic.frame_rate_hz
    gap = output.kept_gap_ns or output.latch_gap_ns if output.latch == "gap" else 0
    needed = burst_ns(output) + gap
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


def reply_possible(profile: Profile, node: int) -> Iterator[Broken]:
    """A node that answers can drive the bus."""
    by = profile.node[node].observe.by
    if by == "reply" and profile.bus.direction == "simplex":
        expected = ("another way, or half at ", ("bus", "direction"))
        yield broken(("node", node, "observe", "by"), "no answer", by, *expected)


NODE_RULES = (
    trigger_reached,
    idle_stated,
    count_stated,
    priority_complete,
    silence_known,
    lanes_fit_words,
    payload_fits_packet,
    channels_fit_register,
    jitter_stated,
    period_below_gap,
    burst_fits_frame,
    name_alone,
    reply_possible,
)
