"""What one trial is to do: a profile at one point, a seed, and a length."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.profile.model import Profile
    from bench.trial.odd import Odd


@dataclass(frozen=True, slots=True)
class Plan:
    """One trial.

    Attributes:
        profile: The profile, overrides applied.
        seed: What every draw depends on.
        packets: The trial ends after so many packets to the nodes; None: it does not.
        duration_ns: It ends with the last packet that begins before this; None: it
            does not.  At least one of the two limits is set.
        point: What was overridden, as given: "output.clock" and "2 MHz".
        recording: uint8, what the pattern `play` plays.
        line: An octet that is sent over and over instead of packets; None: packets.
        odd: Odd packets that are put among the others.
    """

    profile: Profile
    seed: int
    packets: int | None = None
    duration_ns: int | None = None
    point: dict[str, str] = field(default_factory=dict)
    recording: NDArray[Any] | None = None
    line: int | None = None
    odd: tuple[Odd, ...] = ()

    def __post_init__(self) -> None:
        if self.line is not None and self.packets is not None:
            raise ValueError("a line without packets has no number of them")
        if self.packets is None and self.duration_ns is None:
            raise ValueError("a trial needs a length")
