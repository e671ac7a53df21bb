"""What cannot be sent, found before anything is.

A point that asks more of the line than there is, a pacing that its framing has no room
for, packets that nobody is to have: all of it at once, each with what would fit.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from bench.base.errors import BenchError, Fault, ProfileError
from bench.base.grid import NS_PER_S
from bench.traffic.load import costs_of, own_load
from bench.wire.format import Delimiter

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bench.profile.model import Profile
    from bench.traffic.load import Costs
    from bench.wire.format import Format

__all__ = ["largest_payload", "refuse"]


def refuse(profile: Profile, recording: NDArray[np.uint8] | None = None) -> Costs:
    """Raise everything that keeps a profile from being sent; else what it costs.

    Raises:
        ProfileError: With every fault that was found.
    """
    try:
        costs = costs_of(profile, recording)
    except ProfileError:
        raise
    except BenchError as error:
        raise ProfileError([error.fault]) from error
    faults = [
        *_size_faults(profile, costs),
        *_pacing_faults(profile, costs),
        *_address_faults(profile, costs),
        *_load_faults(profile, costs),
    ]
    if profile.traffic.pattern == "play" and recording is None:
        faults.append(
            Fault("pattern without a recording", "play", where="traffic.pattern")
        )
    if faults:
        raise ProfileError(faults)
    return costs


def largest_payload(format: Format) -> int:  # noqa: A002
    """Most octets of payload that the format and its length field allow."""
    layout = format.layout
    if layout.length is None:
        return layout.most
    return min(layout.most, layout.length.most - layout.length_adds)


def _size_faults(profile: Profile, costs: Costs) -> list[Fault]:
    """Payloads that the packet cannot carry."""
    least, most = costs.format.layout.least, largest_payload(costs.format)
    if costs.shared:
        return [
            Fault(
                "the lanes' octets are not in the packet",
                f"octets {at + 1} to {at + octets}",
                f"1 to {most}",
                f"node.{index}.address",
            )
            for index, (at, octets) in enumerate(costs.windows)
            if at < 0 or at + octets > most
        ]
    return [
        Fault(
            "the lanes' payload does not fit the packet",
            f"{node.output.payload_octets} octets",
            f"{least} to {most}",
            f"node.{index}.output",
        )
        for index, node in enumerate(profile.node)
        if not least <= node.output.payload_octets <= most
    ]


def _pacing_faults(profile: Profile, costs: Costs) -> list[Fault]:
    """A pacing that the framing has no room for."""
    what = ""
    if costs.format.delimiting.kind == Delimiter.SILENCE:
        what = "packets that end with a silence cannot be packed"
    elif costs.format.open_ended and profile.packet.pad:
        what = "pads would be part of packets that only the next one ends"
    if profile.traffic.pacing != "packed" or not what:
        return []
    return [Fault(what, "packed", "timed or flood", "traffic.pacing")]


def _address_faults(profile: Profile, costs: Costs) -> list[Fault]:
    """Packets without anybody to send them to."""
    layout, traffic = costs.format.layout, profile.traffic
    faults = []
    if traffic.broadcast_every and not layout.broadcast:
        faults.append(
            Fault(
                "no broadcast address",
                f"every {traffic.broadcast_every} frames",
                "a broadcast address in packet.fields, or 0",
                "traffic.broadcast_every",
            )
        )
    strangers = _has_strangers(profile, costs.format)
    if traffic.foreign.share > 0 and not strangers:
        faults.append(
            Fault(
                "no foreign address",
                f"{traffic.foreign.share:.4g}",
                "0 where every address is a node's",
                "traffic.foreign.share",
            )
        )
    if traffic.pacing == "packed" and not profile.packet.pad and not strangers:
        faults.append(
            Fault(
                "nothing to fill the line with",
                "packed",
                "a pad octet or a foreign address",
                "traffic.pacing",
            )
        )
    return faults


def _has_strangers(profile: Profile, format: Format) -> bool:  # noqa: A002
    """Whether there is an address for foreign packets."""
    layout = format.layout
    if layout.address is None:
        return False
    if profile.traffic.foreign.addresses:
        return True
    mask = layout.mask & layout.address.most
    known = (*(node.address for node in profile.node), *layout.broadcast)
    return len({address & mask for address in known}) < 1 << mask.bit_count()


def _load_faults(profile: Profile, costs: Costs) -> list[Fault]:
    """More than the line can carry."""
    traffic = profile.traffic
    share = Fraction(str(traffic.foreign.share))
    if traffic.pacing == "flood":
        return _foreign_faults(share)
    own = own_load(profile, costs)
    rate = f"{traffic.frame_rate_hz} frames/s, {100 * float(own):.1f} % of the line"
    most = NS_PER_S / costs.frame_ns()
    worst = NS_PER_S / costs.frame_ns(worst=True)
    beside = f", {float(worst):.2f} if every octet is stuffed" if worst < most else ""
    if own > 1:
        expected = f"at most {float(most):.2f} frames/s{beside}"
        return [
            Fault("own packets do not fit", rate, expected, "traffic.frame_rate"),
        ]
    if own + share > 1:
        fits = float(most * (1 - share))
        expected = f"at most {fits:.2f} frames/s beside {100 * float(share):.4g} %"
        what = "own and foreign packets do not fit"
        return [Fault(what, rate, expected, "traffic.foreign.share")]
    return []


def _foreign_faults(share: Fraction) -> list[Fault]:
    """Back to back, foreign packets must leave room for the others."""
    if round(share * 1_000_000) < 1_000_000:  # as the schedule counts it
        return []
    what, where = "foreign packets leave no room", "traffic.foreign.share"
    return [Fault(what, "100 %", "less than 100 %", where)]
