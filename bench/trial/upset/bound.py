"""From when on every packet has to be shown again.

The line is good again at some instant.  From the first start bit that receivers take
for one (measured: it depends on what is sent) a node hears what is sent, but what it
heard before may still keep its parser busy.  Every packet has to be shown whose first
character comes no earlier than

    in step + swallow + backlog

* **swallow**: what came before may have looked like the beginning of the longest packet
  of the format, and as many characters are taken for the rest of it, however long the
  line idles between them.  Fewer if the line pauses for so long that the profile calls
  a packet bad for it (`pause`, `silence`): then from the character after the pause.
* With framing silence, and resynchronising by timeout, there is only the latter, and it
  must be a silence; if the traffic has none, there is no bound.
* No swallow where a packet's beginning ends whatever is going on: framings break and
  ninth-bit, and by whatever policy but timeout those with a delimiter of their own
  before each packet (slip, hdlc).
* **backlog**, with framing marker and resynchronising by rescan: the packets that are
  found at once when the longest one turns out to be none.  As many as there are
  buffers, receive and port words together, each with its rearranging, burst and gap.

After a clean silence, one that begins and ends between packets, nothing is left over
and the very next packet has to be shown.

Chance may do more than that: octets of a payload can look like a packet's beginning
once more.  Whether they did is for `bench.trial.upset.referee` to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.base.grid import NS_PER_S
from bench.trial.upset.named import At
from bench.wire.format import Delimiter, format_of

if TYPE_CHECKING:
    from bench.profile.model import Node, Profile
    from bench.trial.upset.line import Heard
    from bench.trial.upset.named import Upset
    from bench.wire.format import Format

_BEGINS_ANYWAY = (Delimiter.BREAK, Delimiter.NINTH)
"""What begins a packet in whatever a receiver is doing."""


@dataclass(frozen=True, slots=True)
class Bound:
    """When a node has to be itself again.

    Attributes:
        from_ns: Packets that begin then or later have to be shown; None: no bound.
        why: What it is made of, in words.
    """

    from_ns: int | None
    why: str


def longest_of(form: Format) -> int:
    """Characters of the longest packet that a format allows, stuffed at worst."""
    return form.longest_stuffed(form.layout.longest)


def settle_ns(node: Node) -> int:
    """How long a node has to do with one packet that it has received.

    Rearranging counts twice, since receiving the next packet stretches it.
    """
    work, output = node.processor.rearrange, node.output
    rearrange_ns = work.fixed_ns + work.per_octet_ns * output.payload_octets
    gap_ns = max(output.latch_gap_ns, output.kept_gap_ns or 0)
    burst_ns = int(output.burst_s * NS_PER_S) + 1
    return 2 * (rearrange_ns + work.start_output_ns) + burst_ns + gap_ns


def bound_of(profile: Profile, node: Node, upset: Upset, heard: Heard) -> Bound:
    """The bound for one node after one upset.

    Raises:
        ValueError: If receivers never were in step again.
    """
    if heard.in_step_ns is None:
        raise ValueError("there is no bound for receivers that are out of step")
    if upset.at is At.BETWEEN:
        return Bound(heard.good_ns, "nothing is left over")
    form, resync = format_of(profile.packet), node.processor.resync
    kind = form.delimiting.kind
    waits = kind == Delimiter.SILENCE or resync == "timeout"
    if kind in _BEGINS_ANYWAY or (form.delimiting.leading and not waits):
        return Bound(heard.in_step_ns, "every packet begins by itself")
    pause_ns = _pause_ns(form, waits=waits)
    silent = _after_pause(heard, pause_ns)
    if waits:
        why = "a silence" if silent is not None else "the line is never silent"
        return Bound(silent, why)
    swallowed = heard.step_at + longest_of(form)
    track, why = heard.track, "the longest packet"
    from_ns = track.line.until_ns
    if swallowed < len(track):
        from_ns = track.start_ns(swallowed)
    if silent is not None and silent < from_ns:
        from_ns, why = silent, "a pause"
    if resync == "rescan" and kind == Delimiter.MARKER:
        buffers = node.processor.buffers
        from_ns += (buffers.receive + buffers.port_words) * settle_ns(node)
        why += ", and what was found at once"
    return Bound(from_ns, why)


def _pause_ns(form: Format, *, waits: bool) -> int | None:
    """The least idle time that ends whatever is going on; None if none does."""
    pause_ns, silence_ns = form.delimiting.pause_ns, form.delimiting.silence_ns
    if waits or pause_ns is None:
        return silence_ns
    return pause_ns + 1 if silence_ns is None else min(pause_ns + 1, silence_ns)


def _after_pause(heard: Heard, pause_ns: int | None) -> int | None:
    """When the first character starts after the line idled so long; None if never."""
    if pause_ns is None:
        return None
    track = heard.track
    for at, idle_ns in track.gaps(heard.step_at):
        if idle_ns >= pause_ns:
            return track.start_ns(at)
    return None
