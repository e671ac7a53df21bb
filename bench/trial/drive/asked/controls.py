"""Controls: what can be turned, how far it is turned by one step, how it reads.

A step is a list of things to try, each a few values of the profile as they are typed;
the first that can be obeyed is taken, so that a pattern or a pacing that a profile has
no room for is passed over.  Numbers go to the next round value of their kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.units import BAUD, FREQUENCY, SHARE, format_count
from bench.traffic.patterns import PATTERNS
from bench.traffic.refusal import largest_payload
from bench.wire.format import format_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from bench.profile.model import Profile

    Values = tuple[tuple[str, str], ...]

SHARE_STEP = Fraction(5, 100)
MOST_SHARE = Fraction(95, 100)
"""More leaves nothing for anybody else."""

MOST_NODES = 8
"""Foreign nodes that are turned on one by one, where a profile names fewer."""

BAUDS = (
    *(9600, 19_200, 38_400, 57_600, 115_200, 230_400, 250_000, 460_800, 500_000),
    *(921_600, 1_000_000, 1_500_000, 2_000_000, 3_000_000, 4_000_000, 6_000_000),
    *(8_000_000, 12_000_000),
)
"""Rates that adapters are asked for: common practice, no source."""

PACINGS = ("packed", "timed", "flood")

_SHARE_PATH, _ADDRESSES = "traffic.foreign.share", "traffic.foreign.addresses"
_LENGTHS, _RATE = "traffic.foreign.lengths", "traffic.frame_rate"
_PATTERN, _PACING, _BAUD = "traffic.pattern", "traffic.pacing", "bus.baud"

_RATE_STEPS = ((20, 1), (100, 5), (1 << 62, 10))
"""Frames a second below which, and by how many a step is."""


def reads(profile: Profile) -> dict[str, str]:
    """What every control reads, in the order in which they are listed."""
    traffic = profile.traffic
    foreign, lengths = traffic.foreign, traffic.foreign.lengths
    nodes = str(len(foreign.addresses)) if foreign.addresses else "every other address"
    sizes = ", ".join(str(octets) for octets in lengths)
    return {
        "nodes": nodes if foreign.share else "0",
        "share": SHARE.text(Fraction(str(foreign.share))),
        "length": f"{sizes} octets" if lengths else "as the nodes'",
        "rate": f"{format_count(traffic.frame_rate_hz)} frames/s",
        "pattern": traffic.pattern,
        "pacing": traffic.pacing,
        "baud": BAUD.text(profile.bus.baud),
    }


@dataclass(frozen=True, slots=True)
class Foreigners:
    """Foreign nodes as they come back.

    Attributes:
        share: Their share, where none were.
        addresses: Whose turn it is, the first one first; then whatever is free.
    """

    share: float
    addresses: tuple[int, ...] = ()


def steps(
    control: str, profile: Profile, *, up: bool, foreigners: Foreigners
) -> list[Values]:
    """What a control's next step may be, the first to be tried first.

    Args:
        control: A name of `CONTROLS`.
        profile: The values now.
        up: Up or down.
        foreigners: Foreign nodes as they come back.

    Returns:
        Nothing at the end of what can be turned.
    """
    if control == "nodes":
        return list(_nodes(profile, foreigners, up=up))
    return list(_STEPS[control](profile, up))


def _nodes(profile: Profile, back: Foreigners, *, up: bool) -> Iterator[Values]:
    """One foreign node more or less; with the last one goes their share."""
    foreign = profile.traffic.foreign
    now = list(foreign.addresses)
    if not foreign.share:
        if up and (pool := _pool(profile, back.addresses)):
            yield (_addresses(pool[:1]), (_SHARE_PATH, _share(back.share)))
    elif not up:
        if len(now) == 1:
            yield ((_SHARE_PATH, "0 %"),)
        else:
            fewer = now[:-1] or _pool(profile, back.addresses)
            yield (_addresses(fewer),)
    elif now:
        pool = _pool(profile, (*back.addresses, *now))
        more = [address for address in pool if address not in now]
        if more:
            yield (_addresses([*now, more[0]]),)


def _pool(profile: Profile, first: Sequence[int]) -> list[int]:
    """Foreign addresses, these first, then others that are nobody's."""
    layout = format_of(profile.packet).layout
    if layout.address is None:
        return []
    named = list(dict.fromkeys(first))
    mask = layout.mask & layout.address.most
    known = {node.address & mask for node in profile.node}
    known |= {address & mask for address in layout.broadcast}
    free = (
        address
        for address in range(1, min(layout.address.most + 1, 1 << 16))
        if address & mask not in known and address not in named
    )
    for address in free:
        if len(named) >= MOST_NODES:
            break
        named.append(address)
    return named


def _addresses(addresses: Sequence[int]) -> tuple[str, str]:
    return _ADDRESSES, f"[{', '.join(str(one) for one in addresses)}]"


def _share(share: float | Fraction) -> str:
    return SHARE.text(Fraction(str(share)))


def _shares(profile: Profile, up: bool) -> Iterator[Values]:
    now = Fraction(str(profile.traffic.foreign.share))
    at = _next(now, SHARE_STEP, up=up)
    if 0 <= at <= MOST_SHARE:
        yield ((_SHARE_PATH, _share(at)),)


def _lengths(profile: Profile, up: bool) -> Iterator[Values]:
    """1, 2, 5, 10, 20 … octets, up to the largest payload there may be."""
    format_ = format_of(profile.packet)
    least, most = format_.layout.least, largest_payload(format_)
    lengths = profile.traffic.foreign.lengths
    sizes = lengths or tuple(node.output.payload_octets for node in profile.node)
    now = sum(sizes) // len(sizes)
    ladder = sorted({least, most, *_round_numbers(most)})
    for octets in _beside(ladder, now, up):
        if least <= octets <= most:
            yield ((_LENGTHS, f"[{octets}]"),)
            return


def _round_numbers(most: int) -> Iterator[int]:
    decade = 1
    while decade <= most:
        yield from (step * decade for step in (1, 2, 5) if step * decade <= most)
        decade *= 10


def _rates(profile: Profile, up: bool) -> Iterator[Values]:
    now = profile.traffic.frame_rate_hz
    above = now if up else now - 1
    step = next(step for below, step in _RATE_STEPS if above < below)
    at = _next(Fraction(now), Fraction(step), up=up)
    if at >= 1:
        yield ((_RATE, FREQUENCY.text(at)),)


def _bauds(profile: Profile, up: bool) -> Iterator[Values]:
    for baud in _beside(BAUDS, profile.bus.baud, up):
        yield ((_BAUD, BAUD.text(baud)),)
        return


def _patterns(profile: Profile, up: bool) -> Iterator[Values]:
    names = [
        one.name for one in PATTERNS if one.name != "play" and "XX" not in one.name
    ]
    return _around(_PATTERN, names, profile.traffic.pattern, up)


def _pacings(profile: Profile, up: bool) -> Iterator[Values]:
    return _around(_PACING, list(PACINGS), profile.traffic.pacing, up)


def _around(path: str, names: list[str], now: str, up: bool) -> Iterator[Values]:
    """Every other word, the next one first, around the end."""
    at = names.index(now) if now in names else (-1 if up else 0)
    step = 1 if up else -1
    for k in range(1, len(names) + 1):
        name = names[(at + k * step) % len(names)]
        if name != now:
            yield ((path, name),)


def _next(now: Fraction, step: Fraction, *, up: bool) -> Fraction:
    """The next multiple of a step."""
    count = now / step
    whole = count.numerator // count.denominator
    if up:
        return (whole + 1) * step
    return (whole if count != whole else whole - 1) * step


def _beside(ladder: Sequence[int], now: int, up: bool) -> list[int]:
    """Rungs above, the lowest first, or below, the highest first."""
    if up:
        return [rung for rung in ladder if rung > now]
    return [rung for rung in reversed(ladder) if rung < now]


_STEPS: dict[str, Callable[[Profile, bool], Iterator[Values]]] = {
    "share": _shares,
    "length": _lengths,
    "rate": _rates,
    "pattern": _patterns,
    "pacing": _pacings,
    "baud": _bauds,
}
