"""Bad nodes whose lanes show something wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.fuzz.zoo.bad import Animal, with_parts

if TYPE_CHECKING:
    from bench.node.spec import NodeSpec

__all__ = ["LIGHTS"]


def _in_words(spec: NodeSpec) -> bool:
    clocked = spec.output.signal == "clocked"
    return clocked and spec.output.method in ("dma", "timer")


def _by_dma(spec: NodeSpec) -> bool:
    return spec.output.signal == "clocked" and spec.output.method == "dma"


def _rise_ns(spec: NodeSpec) -> int:
    output = spec.output
    return output.rise_permille * (NS_PER_S // 1000) // output.clock_hz


def _lanes_turned(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"lane_turned": True})


def _bits_turned(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"bits_turned": True})


def _one_less(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"clock_bias": -1})


def _one_more(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"clock_bias": 1})


def _stops_late(spec: NodeSpec) -> NodeSpec:
    return with_parts(
        spec, output={"stop": "dma", "stop_latency_ns": _rise_ns(spec) + 100}
    )


def _stops_at_the_edge(spec: NodeSpec) -> NodeSpec:
    early = max(0, _rise_ns(spec) - spec.output.runt_ns)
    return with_parts(spec, output={"stop": "dma", "stop_latency_ns": early})


def _stopped_by_interrupt(spec: NodeSpec) -> NodeSpec:
    """In time when nothing else happens, and a moment late when something does."""
    late_ns = max(0, _rise_ns(spec) - spec.cost.entry_ns - 200)
    return with_parts(
        spec,
        output={"stop": "interrupt", "stop_latency_ns": late_ns, "stop_jitter_ns": 0},
    )


def _words_late(spec: NodeSpec) -> NodeSpec:
    period_ns = NS_PER_S // spec.output.clock_hz
    return with_parts(spec, output={"transfer_jitter_ns": period_ns})


def _gap_short(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, output={"kept_gap_ns": 1})


def _lanes_fast(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, output={"clock_hz": spec.output.clock_hz * 108 // 100})


def _leads(spec: NodeSpec) -> NodeSpec:
    period_ns = NS_PER_S // spec.output.clock_hz
    return with_parts(spec, output={"lead_ns": period_ns})


LIGHTS = (
    Animal(
        "lanes-turned",
        "the first lane shows what is for the last",
        _lanes_turned,
        needs=lambda spec: _in_words(spec) and spec.output.lanes > 1,
        smallest=0,
    ),
    Animal(
        "bits-turned",
        "octets are shifted out the other way round",
        _bits_turned,
        needs=_in_words,
        smallest=0,
    ),
    Animal(
        "last-bit-dropped",
        "a burst has one clock too few",
        _one_less,
        needs=_by_dma,
        smallest=0,
    ),
    Animal(
        "one-clock-more",
        "a burst has one clock too many",
        _one_more,
        needs=_by_dma,
        smallest=0,
    ),
    Animal(
        "stops-late",
        "the clock is stopped after its next rise",
        _stops_late,
        needs=_by_dma,
        smallest=0,
    ),
    Animal(
        "stops-at-the-edge",
        "the clock is stopped just as it rises",
        _stops_at_the_edge,
        needs=lambda spec: _by_dma(spec) and spec.output.runt_ns > 0,
        smallest=0,
    ),
    Animal(
        "clock-too-many-under-load",
        "an interrupt stops the clock, in time unless characters come in",
        _stopped_by_interrupt,
        needs=lambda spec: (
            _by_dma(spec)
            and spec.output.stop != "interrupt"
            and spec.receive.method == "interrupt"
            and _rise_ns(spec) > spec.cost.entry_ns + 200
        ),
        smallest=1,
    ),
    Animal(
        "words-late",
        "port words come after the clock's rise",
        _words_late,
        needs=_by_dma,
        smallest=0,
    ),
    Animal(
        "latch-gap-short",
        "the next burst begins before the chains have latched",
        _gap_short,
        needs=lambda spec: spec.output.method != "port",
        smallest=1,
    ),
    Animal(
        "lanes-too-fast",
        "UART lanes are faster than the far end expects",
        _lanes_fast,
        board="jetty",
        needs=lambda spec: spec.output.signal == "uart",
        smallest=0,
    ),
    Animal(
        "clock-leads",
        "the clock runs a period before the first word is there",
        _leads,
        needs=lambda spec: _by_dma(spec) and spec.output.lead_ns == 0,
        smallest=0,
    ),
)
"""They all."""
