"""Any link by its name: the simulated nodes, or a transport in real time.

A link reaches lights unless it is known not to: one within this machine, whose far end
is a program.  What lies behind a port or on a network nobody here can know.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from bench.base.clock import SystemClock
from bench.base.columns import Flaw
from bench.link.live import LEAD_NS, REFUSE_NS, Ear, LiveLink, LiveRules
from bench.link.live.flaws import cannot, sends
from bench.link.sight import BlindSighter, LaneSighter, StatusSighter, sighter_of
from bench.trial.bare import nobody_on
from bench.wire.format import Delimiter, format_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from bench.base.clock import Clock
    from bench.link.link import Link
    from bench.link.sighter import Sighter
    from bench.link.transport import Heard, Transport
    from bench.profile.model import Profile

SIMULATED = "simulated"

_KINDS = ("loop", "pty", "child")
"""Links whose far end is a program, and no board."""

_NEEDS = {Delimiter.BREAK: Flaw.BREAK, Delimiter.NINTH: Flaw.ADDRESS}
"""What a transport has to be able to send, by how packets are delimited."""


def never() -> None:
    """No signal came."""


@dataclass(frozen=True, slots=True)
class LinkOptions:
    """How a live link is to be held.

    Attributes:
        lead_ns: How far ahead of their time characters are handed over.
        reopen_ns: How long a lost link is waited for; 0: not at all.
        refuse_ns: A far end that takes nothing for so long does not read.
        realtime: Whether to ask for real-time priority.
        measured_baud: What the adapter's bit rate was measured to be, if it was.
        port: How a port is to be held, words as `PortOptions.of` reads them.
        stop: Asked in long waits: the number of a signal that came, or None.
    """

    lead_ns: int = LEAD_NS
    reopen_ns: int = 0
    refuse_ns: int = REFUSE_NS
    realtime: bool = False
    measured_baud: float | None = None
    port: Mapping[str, str] = field(default_factory=dict)
    stop: Callable[[], int | None] = never


def reaches_lights(name: str) -> bool:
    """Whether lights may be at the far end of a link."""
    kind = name.partition(":")[0]
    if name == SIMULATED or kind in _KINDS or name.startswith("loop://"):
        return False
    # A served node's pty, by whatever link somebody calls it.
    return not str(Path(name).resolve()).startswith("/dev/pts/")


def open_link(
    name: str,
    profile: Profile,
    *,
    seed: int = 0,
    clock: Clock | None = None,
    options: LinkOptions | None = None,
) -> Link:
    """A link to the nodes of a profile; nothing is sent or heard yet.

    Args:
        name: "simulated", "loop", "pty", "pty:PATH", "udp:HOST:PORT", "child:COMMAND",
            the name of a port, or a URL.
        profile: The profile, at the point that is tried.
        seed: What draws of simulated nodes depend on.
        clock: The bench's clock; the system's unless given.
        options: How a live link is to be held.

    Raises:
        UsageError: If the name or an option means nothing.
        ProfileError: If the model does not simulate what the profile asks for.
        LinkError: If it cannot be had, or cannot send such packets.
    """
    if name == SIMULATED:
        from bench.node.link import SimulatedLink

        return SimulatedLink(profile, seed=seed)
    from bench.link.ports import PortOptions, make_transport

    clock, options = clock or SystemClock(), options or LinkOptions()
    port = PortOptions.of(options.port)
    transport = make_transport(name, profile.bus, clock, port)
    try:
        return live_link(transport, profile, clock, options)
    except BaseException:
        transport.close()
        raise


def live_link(
    transport: Transport, profile: Profile, clock: Clock, options: LinkOptions
) -> LiveLink:
    """A live link over a transport that is open.

    Raises:
        LinkError: If it cannot send such packets, or a port of a node cannot be had.
    """
    needs = _NEEDS.get(format_of(profile.packet).delimiting.kind)
    if needs is not None and not sends(transport, needs):
        raise cannot(transport, needs)
    sighter: Sighter = sighter_of(profile)
    if nobody_on(profile):
        sighter = BlindSighter("what becomes of them is not observable: nobody listens")
    rules = rules_of(profile, options, hears_bus=not _by_lines(profile))
    ears = _ears(sighter, profile, clock)
    return LiveLink(transport, profile.bus, sighter, clock, rules, options.stop, ears)


def rules_of(profile: Profile, options: LinkOptions, *, hears_bus: bool) -> LiveRules:
    """How a live link behaves for a profile.

    Args:
        profile: The profile.
        options: How it is to be held.
        hears_bus: Whether what comes back is the bus, and not sighting lines.
    """
    rules, packet = LiveRules(), profile.packet
    # Elsewhere a silence is only what a parser takes for an end of everything.
    ends = format_of(packet).delimiting.kind == Delimiter.SILENCE
    return LiveRules(
        pacing=profile.traffic.pacing,
        silence_ns=(packet.silence_ns or 0) if ends else 0,
        lead_ns=options.lead_ns,
        listen_ns=rules.listen_ns if hears_bus else 0,
        reopen_ns=options.reopen_ns,
        refuse_ns=options.refuse_ns,
        realtime=options.realtime,
        measured_baud=options.measured_baud,
    )


def _by_lines(profile: Profile) -> bool:
    """Whether sighting lines come back."""
    return any(node.observe.by == "lines" for node in profile.node)


def _ears(sighter: Sighter, profile: Profile, clock: Clock) -> list[Ear]:
    """Ports that are read beside the bus."""
    wanted: list[tuple[str, int, Callable[[Heard, int], None]]] = []
    if isinstance(sighter, LaneSighter):
        for node, (name, baud) in sighter.ports.items():
            wanted.append((name, baud, partial(_on_lane, sighter, node)))
    if isinstance(sighter, StatusSighter) and sighter.port is not None:
        name, baud = sighter.port
        wanted.append((name, baud or profile.bus.baud, sighter.heard))
    from bench.link.ports import make_transport

    ears: list[Ear] = []
    try:
        for name, baud, hand in wanted:
            bus = profile.bus.model_copy(update={"baud": baud})
            ears.append(Ear(make_transport(name, bus, clock), hand))
    except BaseException:
        for ear in ears:
            ear.transport.close()
        raise
    return ears


def _on_lane(sighter: LaneSighter, node: int, heard: Heard, at_ns: int) -> None:
    """Hand in what was read on a node's lane."""
    sighter.heard_on_lane(node, heard.octets, at_ns)
