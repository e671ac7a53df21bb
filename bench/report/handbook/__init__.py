"""The printable packet and timing sheet of a profile.

Written for somebody who stands before the installation in ten years with nothing else
at hand: how the bus is set, what a packet is, octet by octet, how its check is
computed, where every lane, device and channel lies, in what time; in words from which
a sender, a node or a bench can be built again, and with the profile itself at the end.

Figures are those of `nightbench check` (`bench.report.sheet.comes_to`), not computed a
second time.  No dates: the same profile gives the same sheet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.units import DURATION, format_rate, format_share, shown
from bench.profile import profile_digest
from bench.report.handbook.check import check_section, stuffing_section
from bench.report.handbook.document import (
    Document,
    Facts,
    Listing,
    Section,
    Table,
    Words,
    clean,
    plural,
)
from bench.report.handbook.html import html
from bench.report.handbook.node import kind_sections, timing_section
from bench.report.handbook.packet import (
    example_section,
    line_section,
    nodes_section,
    packet_section,
)
from bench.report.handbook.profile import printable
from bench.report.handbook.text import text
from bench.report.sheet import comes_to
from bench.traffic.light import CAUTIONS

if TYPE_CHECKING:
    from bench.profile import Profile

__all__ = ["FORMATS", "handbook", "written_as"]

FORMATS = {"text": text, "html": html}
"""How a sheet can be written."""


def written_as(kind: str, profile: Profile, command: str, version: str) -> str:
    """The sheet of a profile in one of the `FORMATS`; see `handbook`."""
    return FORMATS[kind](handbook(profile, command, version))


def handbook(profile: Profile, command: str, version: str) -> Document:
    """The sheet of a profile.

    Args:
        profile: The profile.
        command: What makes it again.
        version: That of the bench.

    Raises:
        ProfileError: If it cannot be sent.
    """
    figures = comes_to(profile)
    sections = [
        _opening(profile),
        line_section(profile),
        packet_section(profile),
        example_section(profile),
        check_section(profile),
        stuffing_section(profile),
        nodes_section(profile),
        timing_section(profile, figures),
        *kind_sections(profile, figures),
        _limits(profile),
        _light(profile),
        _again(profile, command, version),
        Section("The profile", [Listing("TOML, all of it", printable(profile))]),
    ]
    return Document(
        profile.name,
        "packet and timing sheet",
        [section for section in sections if section is not None],
    )


def _opening(profile: Profile) -> Section:
    """What it is about, and how to read it."""
    nodes = plural(len(profile.node), "node board")
    lanes = plural(sum(node.output.lanes for node in profile.node), "lane")
    rate = format_rate(profile.traffic.frame_rate_hz, "times a second")
    what = (
        f"{nodes} on one line pick their own packets out of a stream of "
        f"{format_rate(profile.bus.baud, 'baud')} and put them out on {lanes}, which "
        f"feed chains of lights. The whole installation is refreshed {rate}."
    )
    facts = [("installation", clean(profile.name))]
    if profile.summary:
        facts.append(("summary", clean(profile.summary)))
    facts.append(("profile digest", profile_digest(profile)))
    return Section(
        "What this describes",
        [Facts(facts), Words(what), Words(_READING), Table(*_TERMS)],
    )


_READING = (
    "Octets are in hexadecimal, with an h behind where they stand in a sentence; all "
    "other numbers are decimal. Places count from 0. Times are nominal."
)

_TERMS = (
    "Words, each for one thing",
    ("word", "what it is"),
    (
        ("character", "start bit, data bits, parity bit and stop bits on the line"),
        ("octet", "the data bits that a character carries"),
        ("packet", "one addressed unit on the line"),
        ("frame", "one refresh of the installation: a packet to every node"),
        ("lane", "one output of a node"),
        ("burst", "the run of bits that brings one packet out on a lane"),
        ("port word", "what a port puts out at once: a bit for each lane"),
        ("latch", "the moment at which a chain shows what it was sent"),
    ),
)


def _limits(profile: Profile) -> Section:
    """What makes a trial fail."""
    accept = profile.accept
    latency, skew = (
        "not limited" if ns is None else f"{DURATION.text(ns)} at most"
        for ns in (accept.latency_ns, accept.skew_ns)
    )
    facts = [
        ("loss", f"{format_share(accept.loss)} of the packets at most"),
        ("confidence", f"{format_share(accept.confidence, 6)} that it is no more"),
        ("latency", f"{latency}, from a packet's last bit to shown"),
        ("skew", f"{skew}, between the nodes of one frame"),
        ("wrong clocks", f"{plural(accept.wrong_clocks, 'burst')} at most"),
        ("marginal clocks", f"{plural(accept.marginal, 'burst')} at most"),
    ]
    return Section("What counts as good", [Facts(facts)])


def _light(profile: Profile) -> Section:
    """What the lights may do, and what people have to know."""
    light = profile.light
    current = "not stated"
    if light.channel_ma:
        current = f"{light.channel_ma:g} mA at full"
    facts = [
        ("current of a channel", current),
        ("brightness", f"{format_share(light.cap)} of full on average, in tests"),
        ("on stop", f"{format_share(light.safe_level)} of full"),
        ("flashes", f"{light.flashes_per_second} a second at most, in tests"),
    ]
    cautions = [Words(caution) for caution in CAUTIONS.values()]
    return Section("Light and people", [Facts(facts), *cautions])


def _again(profile: Profile, command: str, version: str) -> Section:
    """How to make it again, and what to do without the program."""
    name = f"{profile.name}.toml"
    paper = (
        f"save the profile below as {name}; nightbench check {name} then shows its "
        f"digest, nightbench sheet {name} makes this sheet, and nightbench header "
        f"{name} the C header of the firmware"
    )
    facts = [
        ("made by", f"nightbench {version}"),
        ("from this paper", paper),
        ("digest", _DIGEST),
    ]
    made_by = Listing("The command", [shown(command, len(command) + 1)])
    return Section("To make this again", [made_by, Facts(facts)])


_DIGEST = (
    "BLAKE2b (RFC 7693) of 16 octets, over the profile as JSON: keys in order of their "
    "signs, no spaces, ASCII alone"
)
