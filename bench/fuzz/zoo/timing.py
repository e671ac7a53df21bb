"""Bad nodes whose receiver or processor does something wrong, or too late."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bench.fuzz.zoo.bad import Animal, with_parts

if TYPE_CHECKING:
    from bench.node.spec import NodeSpec

__all__ = ["TIMING"]


def _by_interrupt(spec: NodeSpec) -> bool:
    return spec.receive.method == "interrupt"


def _by_poll(spec: NodeSpec) -> bool:
    return spec.receive.method == "poll"


def _error_kept(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"keeps_error": True})


def _fires_once(spec: NodeSpec) -> NodeSpec:
    """It takes some, leaves others, and waits for the edge."""
    uart = {"fires": "transition", "idle_timeout_ns": None}
    return with_parts(spec, uart=uart, cost={"body_limit": 1})


def _tail_waits(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, uart={"idle_timeout_ns": None})


def _fifo_of_one(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, uart={"fifo": 1, "trigger": 1})


def _entered_late(spec: NodeSpec) -> NodeSpec:
    ns = spec.uart.fifo * spec.uart.character_ns
    return with_parts(spec, cost={"entry_ns": ns})


def _masked_long(spec: NodeSpec) -> NodeSpec:
    """As long as it rearranges no interrupt is heeded, and that takes long."""
    ns = 2 * spec.uart.fifo * spec.uart.character_ns
    return with_parts(spec, cost={"masked_ns": ns, "rearrange_ns": ns})


def _rearranges_slowly(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, cost={"rearrange_ns": 60 * spec.cost.rearrange_ns})


def _one_buffer(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, cost={"receive_buffers": 1})


def _buffer_not_owned(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"buffer_bias": 1})


def _passes_slowly(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, receive={"pass_ns": 3 * spec.uart.character_ns})


def _counter_sticks(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"packets_most": 255})


def _wedges(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"errors_most": 16})


def _forgets(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"waiting_most": 1})


def _wedges_at_once(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"errors_most": 1})


def _timeout_late(spec: NodeSpec) -> NodeSpec:
    return with_parts(
        spec, uart={"idle_timeout_ns": 20 * (spec.uart.idle_timeout_ns or 0)}
    )


def _shows_at_once(spec: NodeSpec) -> NodeSpec:
    return replace(spec, on_sync=False)


TIMING = (
    Animal(
        "overrun-kept",
        "an overrun error is never cleared, and the receiver stalls",
        _error_kept,
        board="stalling",
        needs=lambda spec: spec.uart.overrun == "stall",
        smallest=1,
    ),
    Animal(
        "fires-once",
        "its interrupt fires at an edge, and its handler leaves characters behind",
        _fires_once,
        board="edged",
        needs=lambda spec: _by_interrupt(spec) and spec.uart.trigger > 1,
        smallest=0,
    ),
    Animal(
        "tail-waits",
        "what is left below the trigger waits for a timeout that never comes",
        _tail_waits,
        needs=lambda spec: (
            _by_interrupt(spec)
            and spec.uart.trigger > 1
            and spec.uart.idle_timeout_ns is not None
        ),
        smallest=1,
    ),
    Animal(
        "fifo-of-one",
        "the FIFO is left switched off",
        _fifo_of_one,
        needs=lambda spec: _by_interrupt(spec) and spec.uart.fifo > 1,
        smallest=1,
    ),
    Animal(
        "entered-late",
        "interrupts are entered late",
        _entered_late,
        needs=_by_interrupt,
        smallest=0,
    ),
    Animal(
        "masked-too-long",
        "interrupts are masked while it rearranges, and that takes long",
        _masked_long,
        needs=_by_interrupt,
        smallest=1,
    ),
    Animal(
        "rearranges-slowly",
        "rearranging takes sixty times as long",
        _rearranges_slowly,
        needs=lambda spec: spec.cost.rearrange_ns > 0,
        smallest=0,
    ),
    Animal(
        "one-buffer",
        "there is one receive buffer, not two",
        _one_buffer,
        needs=lambda spec: spec.cost.receive_buffers > 1 and not _by_poll(spec),
        smallest=1,
    ),
    Animal(
        "buffer-not-owned",
        "a packet is received into the buffer that is being rearranged",
        _buffer_not_owned,
        board="busy",
        needs=lambda spec: not _by_poll(spec),
        smallest=1,
    ),
    Animal(
        "passes-slowly",
        "the loop comes round too seldom",
        _passes_slowly,
        board="jetty",
        needs=_by_poll,
        smallest=0,
    ),
    Animal(
        "counter-sticks",
        "a counter of eight bits is full after 255 packets",
        _counter_sticks,
    ),
    Animal(
        "wedges-after-errors",
        "after sixteen bad packets it does nothing any more",
        _wedges,
    ),
    Animal(
        "wedges-at-once",
        "after one bad packet it does nothing any more",
        _wedges_at_once,
        smallest=1,
    ),
    Animal(
        "restarts-under-load",
        "when two packets wait it begins anew, and they are gone",
        _forgets,
        needs=lambda spec: not _by_poll(spec) and spec.cost.receive_buffers > 1,
        smallest=1,
    ),
    Animal(
        "timeout-late",
        "the idle timeout comes twenty times as late",
        _timeout_late,
        board="modbus-rtu",
        needs=lambda spec: spec.uart.idle_timeout_ns is not None,
        smallest=0,
    ),
    Animal(
        "shows-without-sync",
        "packets are shown as they come, and not on the sync",
        _shows_at_once,
        board="synced",
        needs=lambda spec: spec.on_sync,
        smallest=0,
    ),
)
"""They all."""
