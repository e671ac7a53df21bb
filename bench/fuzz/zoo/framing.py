"""Bad nodes that tell packets apart, or examine them, wrongly."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from bench.fuzz.zoo.bad import Animal, with_layout, with_parts
from bench.wire.format import Delimiter, Number

if TYPE_CHECKING:
    from bench.node.spec import NodeSpec
    from bench.wire.format import CheckRule

__all__ = ["FRAMING"]


def _has_check(spec: NodeSpec) -> bool:
    return spec.packet.layout.check is not None


def _has_length(spec: NodeSpec) -> bool:
    return spec.packet.layout.length is not None


def _has_address(spec: NodeSpec) -> bool:
    return spec.packet.layout.address is not None


def _has_literals(spec: NodeSpec) -> bool:
    return bool(spec.packet.layout.literals)


def _has_sequence(spec: NodeSpec) -> bool:
    return spec.packet.layout.sequence is not None


def _check(spec: NodeSpec) -> CheckRule:
    rule = spec.packet.layout.check
    assert rule is not None
    return rule


def _check_ignored(spec: NodeSpec) -> NodeSpec:
    return with_layout(spec, replace(spec.packet.layout, check=None))


def _check_begins_late(spec: NodeSpec) -> NodeSpec:
    rule = _check(spec)
    late = replace(rule, start=rule.start + 1)
    return with_layout(spec, replace(spec.packet.layout, check=late))


def _check_turned(spec: NodeSpec) -> NodeSpec:
    rule = _check(spec)
    order: Literal["big", "little"] = "little" if rule.field.order == "big" else "big"
    turned = replace(rule, field=Number(rule.field.at, rule.field.size, order))
    return with_layout(spec, replace(spec.packet.layout, check=turned))


def _before_check(spec: NodeSpec) -> NodeSpec:
    """The packet is over, it believes, when its payload is."""
    layout = spec.packet.layout
    sooner = tuple(
        (at + layout.tail, octets) if at < 0 else (at, octets)
        for at, octets in layout.literals
        if at >= 0
    )
    return with_layout(spec, replace(layout, tail=0, check=None, literals=sooner))


def _length(spec: NodeSpec) -> Number:
    length = spec.packet.layout.length
    assert length is not None
    return length


def _length_off(spec: NodeSpec) -> NodeSpec:
    layout = spec.packet.layout
    return with_layout(spec, replace(layout, length_adds=layout.length_adds + 1))


def _length_unchecked(spec: NodeSpec) -> NodeSpec:
    most = _length(spec).most
    return with_layout(spec, replace(spec.packet.layout, most=most))


def _length_wraps(spec: NodeSpec) -> NodeSpec:
    length = _length(spec)
    low = length.at + length.size - 1 if length.order == "big" else length.at
    return with_layout(
        spec, replace(spec.packet.layout, length=Number(low, 1, length.order))
    )


def _length_ignored(spec: NodeSpec) -> NodeSpec:
    size = spec.payload_octets
    return with_layout(
        spec, replace(spec.packet.layout, length=None, least=size, most=size)
    )


def _masked(bits: int):  # type: ignore[no-untyped-def]
    def change(spec: NodeSpec) -> NodeSpec:
        layout = spec.packet.layout
        return with_layout(spec, replace(layout, mask=layout.mask & ~bits))

    change.__module__ = __name__
    return change


def _broadcast_deaf(spec: NodeSpec) -> NodeSpec:
    return with_layout(spec, replace(spec.packet.layout, broadcast=()))


def _broadcast_more(spec: NodeSpec) -> NodeSpec:
    layout = spec.packet.layout
    more = spec.address ^ 1
    return with_layout(spec, replace(layout, broadcast=(*layout.broadcast, more)))


def _never_again(spec: NodeSpec) -> NodeSpec:
    packet = spec.packet
    if packet.delimiting.silence_ns is None:
        return replace(spec, resync="timeout")
    # As good as never: the line is never silent for so long.
    delimiting = replace(packet.delimiting, silence_ns=1 << 50)
    return replace(
        spec, resync="timeout", packet=replace(packet, delimiting=delimiting)
    )


def _forward(spec: NodeSpec) -> NodeSpec:
    return replace(spec, resync="forward")


def _pause_missed(spec: NodeSpec) -> NodeSpec:
    packet = spec.packet
    delimiting = replace(packet.delimiting, pause_ns=None)
    return replace(spec, packet=replace(packet, delimiting=delimiting))


def _no_timeout(spec: NodeSpec) -> NodeSpec:
    packet = spec.packet
    delimiting = replace(packet.delimiting, pause_ns=None, silence_ns=None)
    return replace(spec, packet=replace(packet, delimiting=delimiting))


def _silence_short(spec: NodeSpec) -> NodeSpec:
    """Half of what may pass between two characters ends a packet."""
    packet = spec.packet
    pause_ns = packet.delimiting.pause_ns or 0
    delimiting = replace(packet.delimiting, silence_ns=pause_ns // 2)
    return replace(spec, packet=replace(packet, delimiting=delimiting))


def _flaws_taken(spec: NodeSpec) -> NodeSpec:
    packet = spec.packet
    delimiting = replace(packet.delimiting, reject_flaws=False)
    return replace(spec, packet=replace(packet, delimiting=delimiting))


def _literals_ignored(spec: NodeSpec) -> NodeSpec:
    return with_layout(spec, replace(spec.packet.layout, literals=()))


def _window_off(spec: NodeSpec) -> NodeSpec:
    return replace(spec, window=(spec.window or 0) + 1)


def _codes_swapped(spec: NodeSpec) -> NodeSpec:
    packet = spec.packet
    (code, octet), (other, second) = packet.unstuffing.pairs
    pairs = ((code, second), (other, octet))
    unstuffing = replace(packet.unstuffing, pairs=pairs)
    return replace(spec, packet=replace(packet, unstuffing=unstuffing))


def _short_taken(spec: NodeSpec) -> NodeSpec:
    return with_parts(spec, quirks={"payload_least": 0})


def _sequence_wraps(spec: NodeSpec) -> NodeSpec:
    wide = {"sequence_modulus": 1 << 16, "sequence_most": 1 << 15}
    return with_parts(spec, quirks=wide)


def _never_silent(spec: NodeSpec) -> bool:
    waits = spec.packet.delimiting.kind == Delimiter.SILENCE
    begins = spec.packet.delimiting.kind in (Delimiter.BREAK, Delimiter.NINTH)
    return not (waits or begins)


FRAMING = (
    Animal(
        "check-ignored",
        "the check is not looked at",
        _check_ignored,
        needs=_has_check,
        smallest=1,
    ),
    Animal(
        "check-span-late",
        "the check is taken over all but the first octet",
        _check_begins_late,
        needs=_has_check,
        smallest=0,
    ),
    Animal(
        "check-octets-turned",
        "the check's octets are taken the other way round",
        _check_turned,
        needs=lambda spec: _has_check(spec) and _check(spec).field.size > 1,
        smallest=0,
    ),
    Animal(
        "output-before-check",
        "the output is started before the check has come",
        _before_check,
        needs=lambda spec: _has_check(spec) and spec.packet.layout.sized,
        smallest=1,
    ),
    Animal(
        "length-off-by-one",
        "the length is taken for one octet less",
        _length_off,
        needs=_has_length,
        smallest=0,
    ),
    Animal(
        "length-unchecked",
        "any length is believed",
        _length_unchecked,
        needs=lambda spec: (
            _has_length(spec) and spec.packet.layout.most < _length(spec).most
        ),
        smallest=1,
    ),
    Animal(
        "length-wraps",
        "only the low octet of the length counts",
        _length_wraps,
        needs=lambda spec: _has_length(spec) and _length(spec).size > 1,
        smallest=1,
    ),
    Animal(
        "length-ignored",
        "the length is not looked at",
        _length_ignored,
        needs=_has_length,
        smallest=1,
    ),
    Animal(
        "address-low-bit",
        "the address is compared without its lowest bit",
        _masked(1),
        needs=_has_address,
        smallest=1,
    ),
    Animal(
        "address-high-bit",
        "the address is compared without its highest bit",
        _masked(0x80),
        needs=_has_address,
        smallest=1,
    ),
    Animal(
        "broadcast-deaf",
        "packets for every node are not taken",
        _broadcast_deaf,
        needs=lambda spec: bool(spec.packet.layout.broadcast),
        smallest=1,
    ),
    Animal(
        "broadcast-too-many",
        "another address counts as everybody's",
        _broadcast_more,
        needs=_has_address,
        smallest=1,
    ),
    Animal(
        "sync-by-anybody",
        "a packet for another address counts as the sync",
        _broadcast_more,
        board="synced",
        needs=lambda spec: spec.on_sync,
        smallest=2,
    ),
    Animal(
        "never-again",
        "after a bad packet it waits for a silence that never comes",
        _never_again,
        needs=_never_silent,
        smallest=1,
    ),
    Animal(
        "false-header",
        "what a false beginning swallowed is not looked at again",
        _forward,
        board="rescan",
        needs=lambda spec: (
            spec.resync == "rescan" and spec.packet.delimiting.kind == Delimiter.MARKER
        ),
        smallest=1,
    ),
    Animal(
        "pause-missed",
        "a pause inside a packet does not matter",
        _pause_missed,
        board="paused",
        needs=lambda spec: spec.packet.delimiting.pause_ns is not None,
        smallest=1,
    ),
    Animal(
        "no-timeout",
        "the rest of a truncated packet is waited for, however long",
        _no_timeout,
        board="patient",
        needs=lambda spec: (
            spec.packet.delimiting.kind == Delimiter.MARKER
            and spec.packet.delimiting.silence_ns is not None
        ),
        smallest=1,
    ),
    Animal(
        "silence-too-short",
        "half of the time that may pass within a packet ends it",
        _silence_short,
        board="modbus-rtu",
        needs=lambda spec: (
            spec.packet.delimiting.kind == Delimiter.SILENCE
            and spec.packet.delimiting.pause_ns is not None
        ),
        smallest=1,
    ),
    Animal(
        "line-errors-taken",
        "characters with a missing stop bit are taken as they come",
        _flaws_taken,
        board="dmx512",
        needs=lambda spec: spec.packet.delimiting.reject_flaws and not _has_check(spec),
        smallest=1,
    ),
    Animal(
        "start-code-ignored",
        "what a packet is for is not looked at",
        _literals_ignored,
        board="dmx512",
        needs=_has_literals,
        smallest=1,
    ),
    Animal(
        "function-ignored",
        "the function and the register are not looked at",
        _literals_ignored,
        board="modbus-rtu",
        needs=lambda spec: _has_literals(spec) and _has_check(spec),
        smallest=1,
    ),
    Animal(
        "window-off-by-one",
        "the slots are counted from 0",
        _window_off,
        board="dmx512",
        needs=lambda spec: (
            spec.window is not None
            and spec.window + 1 + spec.payload_octets <= spec.packet.layout.most
        ),
        smallest=0,
    ),
    Animal(
        "escape-codes-swapped",
        "the two escapes stand for each other's octet",
        _codes_swapped,
        board="slipway",
        needs=lambda spec: len(spec.packet.unstuffing.pairs) == 2,
    ),
    Animal(
        "stale-tail",
        "a short packet is shown with what the buffer held before",
        _short_taken,
        needs=lambda spec: (
            spec.packet.layout.least < spec.payload_octets and spec.window is None
        ),
        smallest=1,
    ),
    Animal(
        "sequence-wrap",
        "when the packets' number starts again they are taken for old ones",
        _sequence_wraps,
        needs=_has_sequence,
        smallest=1,
    ),
)
"""They all."""
