"""From a profile to the records that the schedule's kernel works on."""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.columns import To
from bench.base.errors import Fault, ProfileError
from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key
from bench.kernels import checks, packets, payload, prbs
from bench.kernels.line import state as line
from bench.kernels.philox import fill
from bench.traffic.patterns import Case, Kind, Recipe, recipe_of
from bench.traffic.refusal import largest_payload
from bench.wire.format import Delimiter, Stuffing
from bench.wire.stuffing import FLIPPED_BIT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.profile.model import Profile
    from bench.traffic.load import Costs
    from bench.wire.format import Format, Layout, Number

__all__ = ["make_parts", "packets_of", "pattern_of"]

_ENOUGH = 1 << 16
"""Addresses drawn once where a field of over two octets leaves too many to list."""

_PACINGS = {
    "packed": line.PACKED,
    "timed": line.TIMED,
    "flood": line.FLOOD,
}


def _key(seed: int, stream: str) -> NDArray[np.uint64]:
    return np.array(stream_key(seed, stream), np.uint64)


def make_parts(
    profile: Profile,
    costs: Costs,
    *,
    seed: int,
    packets_limit: int | None,
    duration_ns: int | None,
    recording: NDArray[np.uint8] | None,
) -> Any:
    """The kernel's `Parts`, its state at the very beginning.

    Raises:
        ProfileError: If the profile's numbers leave no room in 64 bits.
    """
    format = costs.format  # noqa: A001
    strangers = _strangers(profile, format, seed)
    receivers, aside, tallies = _addresses(profile, costs, strangers)
    plan = _plan(profile, costs)
    plan["packets"] = -1 if packets_limit is None else packets_limit
    plan["duration_ns"] = -1 if duration_ns is None else duration_ns
    plan["closer"] = -1
    if format.open_ended:
        marked = format.marks_first and len(strangers) > 0
        plan["closer"] = strangers[0] & 0xFF if marked else 0
    longest = int(max((*costs.sizes, costs.broadcast, largest_payload(format))))
    plain = format.layout.head + longest + format.layout.tail
    _refuse_overflow(plan[0], 2 * plain + 2)
    sizes = profile.traffic.foreign.lengths or costs.sizes
    case = Case(profile.traffic.pattern, format, costs.filled, recording, profile)
    return line.Parts(
        plan,
        np.zeros(1, line.STATE),
        receivers,
        np.array([*costs.windows, (0, costs.broadcast)], line.WINDOW),
        aside,
        np.array(sizes, np.int64),
        tallies,
        np.stack([_key(seed, name) for name in ("dither", "foreign mix", "foreign")]),
        packets_of(format),
        pattern_of(case, seed),
        np.zeros(plain, np.uint8),
    )


def _plan(profile: Profile, costs: Costs) -> np.ndarray:
    """What never changes in a trial."""
    bus, traffic, packet = profile.bus, profile.traffic, profile.packet
    kind = costs.format.delimiting.kind
    pitch = bus.pitch
    period_ns = NS_PER_S / Fraction(str(traffic.frame_rate_hz))
    slot_ns = period_ns / len(costs.sizes)
    share = Fraction(str(traffic.foreign.share))
    dither = Fraction(str(traffic.dither))
    free_ns = period_ns * (1 - share) - costs.frame_ns(worst=True)
    timed = traffic.pacing == "timed"
    plan = np.zeros(1, line.PLAN)
    row = plan[0]
    row["pacing"] = _PACINGS[traffic.pacing]
    row["nodes"] = len(profile.node)
    row["own"] = len(costs.sizes)
    row["together"] = traffic.spread == "together"
    row["every"] = traffic.broadcast_every
    row["slot_ns"], row["slot_rem"] = divmod(slot_ns.numerator, slot_ns.denominator)
    row["slot_den"] = slot_ns.denominator
    row["num"], row["den"] = pitch.num, pitch.den
    row["idle_ns"] = bus.virtual_idle_ns
    row["apart"] = timed or kind == Delimiter.SILENCE
    if kind == Delimiter.SILENCE:
        row["silence_ns"] = packet.silence_ns
    if kind == Delimiter.BREAK:
        row["break_ns"] = packet.break_ns
        row["mark_ns"] = packet.mark_after_break_ns
    row["marked"] = costs.format.marks_first
    row["around"] = -(-costs.around_ns // costs.pitch_ns)
    row["spare"] = row["around"] + timed
    row["pad"] = packet.pad[0] if packet.pad else -1
    row["dither"] = round(dither * line.MILLION)
    row["dither_ns"] = int(dither * max(Fraction(0), free_ns) / len(costs.sizes))
    row["share"] = round(share * line.MILLION)
    row["least"] = costs.format.layout.least
    row["most"] = largest_payload(costs.format)
    return plan


def _refuse_overflow(plan: np.void, characters: int) -> None:
    """Every product on the grid must stay inside 64 bits."""
    num, den, slot_den = int(plan["num"]), int(plan["den"]), int(plan["slot_den"])
    period_ns = int(plan["slot_ns"] + 1) * int(plan["own"])
    largest = max(num * characters, 2 * period_ns * den + num, (den + num) * slot_den)
    if largest < 1 << 62:
        return
    what = "baud and frame rate cannot be placed on one exact grid"
    raise ProfileError([Fault(what, where="bus.baud", mend="take rounder numbers")])


# --- whom packets are for -------------------------------------------------------------


def _strangers(profile: Profile, format: Format, seed: int) -> NDArray[np.int64]:  # noqa: A002
    """The addresses of foreign packets; none where packets have no address."""
    layout = format.layout
    if layout.address is None:
        return np.zeros(0, np.int64)
    if profile.traffic.foreign.addresses:
        return np.array(profile.traffic.foreign.addresses, np.int64)
    if layout.address.size <= 2:
        every = np.arange(layout.address.most + 1)
    else:
        drawn = np.empty(4 * _ENOUGH, np.uint8)
        key = _key(seed, "foreign addresses")
        fill(key[0], key[1], 0, drawn)
        every = drawn.view("<u4").astype(np.int64) & layout.address.most
    known = [*(node.address for node in profile.node), *layout.broadcast]
    taken = np.array(known) & layout.mask
    return every[~np.isin(every & layout.mask, taken)].astype(np.int64)


def _addresses(
    profile: Profile, costs: Costs, strangers: NDArray[np.int64]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Receivers, foreign addresses, and a tally for each address there is."""
    nodes, own = len(profile.node), len(costs.sizes)
    layout = costs.format.layout
    receivers = np.zeros(own + 1, line.RECEIVER)
    receivers["octets"] = [*costs.sizes, costs.broadcast]
    receivers["shown"] = receivers["windows"] = 1
    if costs.shared:
        receivers["to"] = To.EVERY_NODE
        receivers["windows"][0] = nodes
    else:
        receivers["address"][:own] = [node.address for node in profile.node]
        receivers["to"][:own] = receivers["window"][:own] = np.arange(nodes)
    receivers["to"][own] = To.EVERY_NODE
    receivers["address"][own] = layout.broadcast[0] if layout.broadcast else -1
    receivers["window"][own] = nodes
    receivers["shown"][own] = receivers["windows"][own] = not costs.sync
    if layout.address is None:
        receivers["address"] = -1
    aside = np.zeros(len(strangers), line.ASIDE)
    aside["address"] = strangers
    both = np.concatenate([receivers["address"], strangers])
    known, places = np.unique(both, return_inverse=True)
    receivers["tally"] = places[: own + 1]
    aside["tally"] = places[own + 1 :]
    return receivers, aside, np.zeros(len(known), np.int64)


# --- the packet and its payload -------------------------------------------------------


def _number(number: Number | None) -> tuple[int, int, int]:
    """Place, size and order of a number; size 0 where it is not there."""
    if number is None:
        return 0, 0, 0
    return number.at, number.size, int(number.order == "little")


_tables = lru_cache(16)(checks.make_tables)
"""Nobody writes into tables, and sweeps send one format over and over."""


def packets_of(format: Format) -> Any:  # noqa: A002
    """The kernel's `Packets` of a format."""
    layout = format.layout
    shape = np.zeros(1, packets.SHAPE)
    row = shape[0]
    row["head"], row["tail"] = layout.head, layout.tail
    row["address"] = _number(layout.address)
    row["sequence"] = _number(layout.sequence)
    row["length"] = _number(layout.length)
    row["length_adds"] = layout.length_adds
    check, tables = checks.make_check(checks.NO_CHECK), _tables()
    if layout.check is not None:
        row["check"] = _number(layout.check.field)
        row["check_start"], row["check_end"] = layout.check.start, layout.check.end
        rule = layout.check.check
        ends = (rule.refin, rule.refout, rule.xorout)
        check = checks.make_check(rule.kind, rule.width, rule.init, *ends)
        if rule.kind == checks.CRC:
            tables = _tables(rule.width, rule.poly, rule.refin)
    row["delimiter"] = -1
    if format.delimiting.kind == Delimiter.OCTET:
        row["delimiter"] = format.delimiting.octets[0]
        row["leading"] = format.delimiting.leading
    row["stuffing"] = packets.PLAIN
    if format.unstuffing.kind == Stuffing.COBS:
        row["stuffing"] = packets.COBS
    elif format.unstuffing.kind != Stuffing.NONE:
        row["stuffing"] = packets.ESCAPED
        row["escape"] = format.unstuffing.escape
    return packets.Packets(shape, _blank(format), _escapes(format), check, tables)


def _blank(format: Format) -> NDArray[np.uint8]:  # noqa: A002
    """Head and tail with everything that never changes."""
    layout: Layout = format.layout
    blank = bytearray(layout.head + layout.tail)
    marker = (0, format.delimiting.octets)
    fixed = layout.literals
    if format.delimiting.kind == Delimiter.MARKER:
        fixed = (marker, *fixed)
    for place, octets in fixed:
        at = place if place >= 0 else len(blank) + place
        blank[at : at + len(octets)] = octets
    return np.frombuffer(bytes(blank), np.uint8).copy()


def _escapes(format: Format) -> NDArray[np.int64]:  # noqa: A002
    """What follows the escape for each octet, -1 for one that is sent as it is."""
    escapes = np.full(256, -1, np.int64)
    unstuffing = format.unstuffing
    if unstuffing.kind == Stuffing.ESCAPE:
        for code, octet in unstuffing.pairs:
            escapes[octet] = code
    elif unstuffing.kind == Stuffing.FLIP:
        for octet in unstuffing.flipped:
            escapes[octet] = octet ^ FLIPPED_BIT
    return escapes


def pattern_of(case: Case, seed: int) -> Any:
    """The kernel's `Pattern`."""
    recipe = recipe_of(case)
    places = len(case.sizes) + 1
    rule = np.zeros(1, payload.RULE)
    rule["kind"] = recipe.kind
    rule["frame_step"] = recipe.frame_step
    rule["hold"], rule["turns"] = recipe.hold, recipe.turns
    histories = np.zeros(places, np.uint64)
    if recipe.kind == Kind.PRBS:
        rule["far"], rule["near"] = prbs.doubled(recipe.stages, recipe.tap)
        rule["flip"] = 0xFF if recipe.inverted else 0
        histories[:] = np.uint64(prbs.history(recipe.stages, recipe.tap))
    return payload.Pattern(
        rule,
        np.require(recipe.table, np.uint8, ["C", "W", "O", "A"]),
        np.array(recipe.steps or (0,) * places, np.int64),
        histories,
        _key(seed, "payload"),
        *_changes_of(recipe, places),
    )


def _changes_of(recipe: Recipe, places: int) -> tuple[NDArray[np.int64], np.ndarray]:
    """The kernel's `firsts` and `changes`."""
    turn, place, at, octet = recipe.changes.T
    changes = np.zeros(len(at), payload.CHANGE)
    changes["at"], changes["octet"] = at, octet
    counts = np.bincount(turn * places + place, minlength=recipe.turns * places)
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64), changes
