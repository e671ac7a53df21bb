"""A burst begins and ends: which output stage sends it."""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.clocked import begin_clocked, stop_clocked
from bench.kernels.node.lanes import begin_lanes
from bench.kernels.node.port import begin_port, next_lane
from bench.kernels.node.records import FAR, PORT, STARTED, TIMER
from bench.kernels.node.timer import begin_timed, tick
from bench.kernels.node.views import trace

__all__ = ["begin_burst", "output_events", "output_ns", "stop"]


@part
def begin_burst(spec, node, ns):
    """The output starts."""
    node.begin_ns = ns
    node.still_ns = FAR
    node.free_ns = FAR
    node.told = 0
    number = node.bursts
    node.bursts += 1
    trace(node, ns, number, STARTED)
    if spec.method == TIMER:
        begin_timed(node)
    elif spec.uart_lanes:
        begin_lanes(spec, node, number)
    elif spec.method == PORT:
        begin_port(spec, node)
    else:
        begin_clocked(spec, node, number)


@part
def stop(spec, node, ns):
    """The transfer-complete handler acts."""
    if spec.method == PORT:
        next_lane(spec, node, ns)
    else:
        stop_clocked(spec, node, ns)


@melted
def output_ns(node):
    """When the output stage next asks for the processor."""
    return min(node.complete_ns, node.tick_ns)


@melted
def output_events(spec, node, ns):
    """What the output stage asked for up to an instant is pending."""
    if node.complete_ns <= ns:
        node.complete_ns = FAR
        node.complete_pending = 1
    if node.tick_ns <= ns:
        tick(spec, node, ns)
