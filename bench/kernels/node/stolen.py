"""Memory cycles that DMA takes from the foreground while it moves port words."""

from __future__ import annotations

from bench.kernels.jit import melted, part
from bench.kernels.node.records import DMA

__all__ = ["end_of_job", "progress_ns"]

_S = 1_000_000_000


@melted
def _rollovers(spec, span_ns):
    """Rollovers from a burst's beginning up to an instant, that one included."""
    if span_ns < 0:
        return 0
    return ((span_ns + 1) * spec.clock_hz - 1) // _S + 1


@part
def _words(spec, node, after_ns, until_ns):
    """Port words of the last burst that count, after an instant up to another."""
    if spec.method != DMA:
        return 0
    first, end = spec.lead, spec.lead + spec.clocks
    # Far from the burst nothing counts, and the product would not fit.
    longest_ns = (end + 1) * _S // spec.clock_hz + 1
    before = _rollovers(spec, min(after_ns - node.begin_ns, longest_ns))
    by = _rollovers(spec, min(until_ns - node.begin_ns, longest_ns))
    return min(max(by, first), end) - min(max(before, first), end)


@part
def end_of_job(spec, node):
    """When the job ends if nothing interrupts it."""
    end_ns = node.now_ns + node.job_left_ns
    while True:
        moved = _words(spec, node, node.now_ns, end_ns - 1)
        later_ns = node.now_ns + node.job_left_ns + moved * spec.stolen_ns
        if later_ns == end_ns:
            return end_ns
        end_ns = later_ns


@part
def progress_ns(spec, node, ns):
    """What the job has done when the processor is taken away at an instant."""
    moved = _words(spec, node, node.now_ns, ns)
    return ns - node.now_ns - moved * spec.stolen_ns
