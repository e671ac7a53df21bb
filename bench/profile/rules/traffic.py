"""Rules about the bus and what is sent on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.units import DURATION, SHARE
from bench.profile.rules.packet import BEGUN, payload_field, payload_range, sized
from bench.profile.rules.rule import Broken, broken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Profile
    from bench.profile.rules.rule import Said
    from bench.profile.schema import Path

PACING: Path = ("traffic", "pacing")


def answers_possible(profile: Profile) -> Iterator[Broken]:
    """Times of a half-duplex bus say nothing about a simplex one."""
    bus = profile.bus
    if bus.direction != "simplex":
        return
    for key, value in (("turnaround", bus.turnaround_ns), ("release", bus.release_ns)):
        if value:
            expected = ("0 ns, or half at ", ("bus", "direction"))
            text = DURATION.text(value)
            yield broken(("bus", key), "time without use", text, *expected)


def packed_possible(profile: Profile) -> Iterator[Broken]:
    """A line that never idles ends no packet by silence, and has something to carry."""
    traffic, packet = profile.traffic, profile.packet
    if traffic.pacing != "packed":
        return
    if packet.framing == "silence":
        expected = ("timed or flood, for silence at ", ("packet", "framing"))
        yield broken(PACING, "packed leaves no silence", "packed", *expected)
    elif packet.pad is None and not traffic.foreign.share:
        expected = ("another, or something to fill the line at ", ("packet", "pad"))
        share: tuple[Said, ...] = (*expected, " or ", ("traffic", "foreign", "share"))
        if packet.framing in BEGUN and not sized(packet):
            pads = f"since pads would be part of packets for {packet.framing} at "
            share = (f"another, or foreign packets, {pads}", ("packet", "framing"))
        yield broken(PACING, "packed with nothing", "packed", *share)


def foreign_lengths_fit(profile: Profile) -> Iterator[Broken]:
    """Foreign packets are well-formed: a packet can carry their payloads."""
    if not (found := payload_field(profile.packet)):
        return
    path, (least, most) = found[0], payload_range(found[1])
    for index, octets in enumerate(profile.traffic.foreign.lengths):
        if least <= most and not least <= octets <= most:
            limit = (f"{least} to {most} octets, as ", path)
            at = ("traffic", "foreign", "lengths", index)
            yield broken(at, "no payload of a packet", octets, *limit)


def safe_level_held(profile: Profile) -> Iterator[Broken]:
    """The level that lights are left at is one that they may have."""
    light = profile.light
    if light.safe_level > light.cap:
        limit = (f"at most {SHARE.text(light.cap)}, as ", ("light", "cap"))
        path, text = ("light", "safe_level"), SHARE.text(light.safe_level)
        yield broken(path, "safe level above the cap", text, *limit)


RULES = (answers_possible, packed_possible, foreign_lengths_fit, safe_level_held)
