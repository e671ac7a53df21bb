"""Which attacks a profile allows, and from where their numbers are drawn.

Half of the values come from a list of those worth trying: around timeouts, at the ends
of fields, single bits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.fuzz.attacks.kinds import NUMBER_OF
from bench.wire.format import Delimiter, Stuffing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from bench.fuzz.attacks.plan import Ground

__all__ = ["Range", "ranges_of"]

_S = 1_000_000_000
_OFTEN, _LESS, _SELDOM = 64, 16, 1
"""How often attacks are drawn: some send many packets, and a reset costs a batch as
much as a hundred cases."""


@dataclass(frozen=True, slots=True)
class Range:
    """Where an attack's numbers come from.

    Attributes:
        places: Places are 0 to one less.
        least: Least value.
        most: Greatest value.
        specials: Values worth trying.
        weight: How often the attack is drawn.
    """

    places: int = 1
    least: int = 0
    most: int = 0
    specials: tuple[int, ...] = ()
    weight: int = _OFTEN


def ranges_of(ground: Ground) -> dict[int, Range]:
    """The attacks that the profile allows, by number."""
    ranges = {
        **_checks(ground),
        **_lengths(ground),
        **_framing(ground),
        **_addresses(ground),
        **_sizes(ground),
        **_times(ground),
        **_line(ground),
    }
    return {NUMBER_OF[name]: one for name, one in sorted(ranges.items())}


def _checks(ground: Ground) -> dict[str, Range]:
    layout = ground.form.layout
    rule = layout.check
    size = layout.head + ground.payload_octets + layout.tail
    marker = _marker(ground)
    bits = 8 * (size - marker)
    width = rule.check.width if rule else 8
    ranges = {
        "bit-error": Range(bits),
        "bit-errors": Range(1, 2, 12, (2, 3, 4, 5, 6)),
        "bit-burst": Range(bits, 1, (1 << 40) - 1, _bursts(width)),
    }
    if rule is None or not rule.field.size:
        return ranges
    width = min(width, 62)
    ranges["check-value"] = Range(
        1, 1, (1 << width) - 1, tuple(1 << k for k in range(width))
    )
    ranges["check-span"] = Range(2, 0, 7)
    if rule.field.size > 1:
        ranges["check-order"] = Range(1, 1, rule.field.size - 1)
    return ranges


def _bursts(width: int) -> tuple[int, ...]:
    """Bursts around the check's width: their ends alone, and all of them set."""
    around = (2, 3, width - 1, width, width + 1, width + 2)
    lengths = [length for length in around if 2 <= length <= 60]
    ends = [(1 << (length - 1)) | 1 for length in lengths]
    full = [(1 << length) - 1 for length in lengths]
    return (*ends, *full)


def _lengths(ground: Ground) -> dict[str, Range]:
    layout = ground.form.layout
    if layout.length is None:
        return {}
    most = layout.length.most
    payload = ground.payload_octets
    longest = min(most, layout.most + 8)
    ranges = {
        "length-zero": Range(2),
        "length-short": Range(2, 1, max(1, payload), (1, 2)),
        "length-long": Range(2, 1, max(1, longest - payload), (1, 2)),
        "length-maximal": Range(2, 0, 3),
    }
    if layout.length.size > 1:
        ranges["length-wrapping"] = Range(2, 1, 255, (1, 2, 128, 255))
    return ranges


def _framing(ground: Ground) -> dict[str, Range]:
    form = ground.form
    layout, kind = form.layout, form.delimiting.kind
    octets = ground.packet_octets
    ranges = {
        "truncated": Range(octets),
        "marker-inside": Range(
            max(1, ground.payload_octets), 1, max(1, layout.head), (layout.head,)
        ),
        "header-inside-header": Range(max(1, layout.head + 2)),
        "noise-before": Range(1, 1, 24, (1, 2, 3)),
        "noise-inside": Range(octets, 1, 8),
        "noise-after": Range(1, 1, 24, (1, 2, 3)),
    }
    if _literals(ground):
        ranges["literal-wrong"] = Range(_literals(ground), 1, 255, (1, 2, 128))
    if kind == Delimiter.OCTET:
        ranges["delimiters-repeated"] = Range(2, 1, 6)
        ranges["delimiter-missing"] = Range(2)
    elif kind in (Delimiter.BREAK, Delimiter.NINTH):
        ranges["delimiter-missing"] = Range(1)
    stuffing = form.unstuffing
    if stuffing.kind != Stuffing.NONE:
        codes = [code for pair in stuffing.pairs for code in pair]
        worth = (*codes, stuffing.escape, form.delimiting.octets[0], 1, 255)
        ranges["bad-escape"] = Range(octets, 0, 255, worth)
    if kind == Delimiter.NINTH:
        ranges["mark-inside"] = Range(octets)
    return ranges


def _addresses(ground: Ground) -> dict[str, Range]:
    layout = ground.form.layout
    ranges = {}
    if layout.sequence is not None:
        most = layout.sequence.most
        worth = tuple(n for n in (1, 2, 127, 128, 255, 256, most) if n <= most)
        ranges["sequence-jump"] = Range(1, 1, most, worth)
    ranges["sequence-repeat"] = Range(1, 1, 3, (), _LESS)
    if layout.address is None:
        return ranges
    bits = 8 * layout.address.size
    ranges["address-bits"] = Range(
        1, 1, layout.address.most, tuple(1 << k for k in range(bits))
    )
    ranges["address-near"] = Range(1, 0, 5)
    if ground.strangers:
        ranges["foreign-twin"] = Range(1, 0, len(ground.strangers) - 1)
        if layout.most > layout.least:
            ranges["foreign-shell"] = Range(
                layout.most + 8, 0, len(ground.strangers) - 1
            )
    if layout.broadcast:
        count = len(layout.broadcast) - 1
        ranges["broadcast"] = Range(1, 0, count)
        ranges["broadcast-size"] = Range(ground.payload_octets + 4, 0, count)
        ranges["broadcast-near"] = Range(bits, 0, count)
    if ground.spec.on_sync:
        ranges["sync-missed"] = Range()
        ranges["sync-early"] = Range(1, 0, 2 * ground.settle_ns, (0, 1))
    return ranges


def _sizes(ground: Ground) -> dict[str, Range]:
    payload = ground.payload_octets
    most = max(ground.form.layout.most, payload) + 8
    return {
        "runt": Range(1, 0, max(0, payload - 1), (0, 1, max(0, payload - 1))),
        "giant": Range(
            1, payload + 1, most, (payload + 1, payload + 2, most - 8, most)
        ),
        "no-gap": Range(1, 1, 4, (), _LESS),
        "overload": Range(1, 2, 6, (), _LESS),
    }


def _times(ground: Ground) -> dict[str, Range]:
    octets, limits = ground.packet_octets, _limits(ground)
    longest = 2 * max(limits)
    resets = {
        name: Range(octets, 0, ground.spec.uart.character_ns - 1, (), _SELDOM)
        for name in ("reset-inside", "start-inside")
    }
    long_ns = (ground.quiet_ns, ground.spec.blackout_ns or ground.quiet_ns, _S, 2 * _S)
    return {
        "calm": Range(1, 0, longest, limits),
        "pause-inside": Range(octets, 1, longest, limits),
        "slow-drip": Range(1, 1, longest, limits),
        "silence": Range(1, ground.quiet_ns, 4 * ground.quiet_ns, long_ns),
        **resets,
    }


def _limits(ground: Ground) -> tuple[int, ...]:
    """Idle times around everything that the profile measures them by."""
    delimiting, uart = ground.form.delimiting, ground.spec.uart
    character_ns = uart.character_ns
    known = (
        delimiting.pause_ns,
        delimiting.silence_ns,
        uart.idle_timeout_ns,
        4 * character_ns,
    )
    near: Iterable[int] = (-character_ns, -1, 0, 1, character_ns)
    limits = {max(1, limit + by) for limit in known if limit is not None for by in near}
    return tuple(sorted(limits))


def _line(ground: Ground) -> dict[str, Range]:
    octets, bus = ground.packet_octets, ground.profile.bus
    character_ns = ground.spec.uart.character_ns
    bit_ns = max(2, int(_S / bus.baud))
    halves = 2 * (octets * (2 + bus.data_bits + (bus.parity != "none")) + 2)
    breaks = (character_ns, character_ns + 1, 2 * character_ns, 100 * character_ns)
    ranges = {
        "spike": Range(halves, 1, 2 * bit_ns, (bit_ns // 2, bit_ns - 1, bit_ns)),
        "framing-error": Range(octets),
        "break-inside": Range(octets, character_ns, 20 * character_ns, breaks),
        "baud-offset": Range(2, 1, 80_000, (10_000, 20_000, 45_000, 53_000)),
        "baud-drift": Range(2, 1, 120_000, (20_000, 45_000, 90_000)),
    }
    if bus.parity != "none":
        ranges["parity-error"] = Range(octets)
    return ranges


def _marker(ground: Ground) -> int:
    """Octets of the marker."""
    delimiting = ground.form.delimiting
    return len(delimiting.octets) if delimiting.kind == Delimiter.MARKER else 0


def _literals(ground: Ground) -> int:
    """Octets that must be there."""
    literals = ground.form.layout.literals
    return _marker(ground) + sum(len(octets) for _, octets in literals)
