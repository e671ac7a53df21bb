"""The clock of the output stage: places on its exact grid."""

from __future__ import annotations

from bench.kernels.jit import part

__all__ = ["S", "rise", "rises_before", "rollover"]

S = 1_000_000_000


@part
def rollover(spec, k):
    """From the beginning of a burst to the start of its period k, in ns."""
    return k * S // spec.clock_hz


@part
def rise(spec, k):
    """From the beginning of a burst to the clock's rise in its period k, in ns."""
    return (1000 * k + spec.rise_permille) * (S // 1000) // spec.clock_hz


@part
def rises_before(spec, span_ns, most):
    """Rises less than a span after the beginning, at most so many."""
    count = min(most, max(0, span_ns) * spec.clock_hz // S + 1)
    while count > 0 and rise(spec, count - 1) >= span_ns:
        count -= 1
    return count
