"""Rules about how nodes are seen.

The table of a way that is not taken may stay in the file: a profile is simulated today
and on a rig tomorrow, by one override.  Only what is used is examined.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from bench.profile.model import ReplyObserve, StatusObserve
from bench.profile.rules import check, packet
from bench.profile.rules.rule import Broken, broken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile.model import Packet, Profile
    from bench.profile.rules.check import CheckOctets
    from bench.profile.rules.rule import Said
    from bench.profile.schema import Path

LIVE = ("lines", "reply", "lane", "status")
"""Ways in which nodes are seen while a trial runs."""

_ALIKE = ("lines", "reply", "status")
"""Ways of which one table serves all nodes that are seen so."""


def _observe(node: int) -> Path:
    return ("node", node, "observe")


def one_way(profile: Profile, node: int) -> Iterator[Broken]:
    """Nodes that are seen are seen in one way, which is described in one table."""
    observe, path = profile.node[node].observe, _observe(node)
    if observe.by not in LIVE:
        return
    for other in range(node):
        first = profile.node[other].observe
        if first.by not in LIVE:
            continue
        if first.by != observe.by:
            expected = (f"{first.by}, as ", (*_observe(other), "by"))
            what = "another way to be seen"
            yield broken((*path, "by"), what, observe.by, *expected)
        elif observe.by in _ALIKE and getattr(first, observe.by) != getattr(
            observe, observe.by
        ):
            expected = ("the same as ", (*_observe(other), observe.by))
            what = "seen in two ways"
            yield broken((*path, observe.by), what, "", *expected)
        return


# --- replies --------------------------------------------------------------------------


def reply_possible(profile: Profile, node: int) -> Iterator[Broken]:
    """A node that answers can drive the bus, which is quiet then, and knows its own."""
    by, path = profile.node[node].observe.by, (*_observe(node), "by")
    if by != "reply":
        return
    if profile.bus.direction == "simplex":
        expected = ("another way, or half at ", ("bus", "direction"))
        yield broken(path, "no answer", by, *expected)
    elif profile.traffic.pacing != "timed":
        at = ("traffic", "pacing")
        expected = ("another way, or timed at ", at)
        yield broken(path, "no quiet for an answer", by, *expected)
    if profile.packet.shared:
        expected = ("another way, for the shared payload at ", ("packet", "fields"))
        yield broken(path, "an answer of all nodes at once", by, *expected)


def _forms(profile: Profile, node: int) -> Iterator[tuple[Path, Packet, bool]]:
    """The packets that an observe table describes, and whether they are answers."""
    observe, path = profile.node[node].observe, _observe(node)
    if observe.by == "reply":
        reply = observe.reply or ReplyObserve()
        if reply.packet is None:
            yield ("packet",), profile.packet, True
        else:
            yield (*path, "reply", "packet"), reply.packet, True
        if reply.refusal is not None:
            yield (*path, "reply", "refusal"), reply.refusal, True
        if reply.probe is not None:
            yield (*path, "reply", "probe", "packet"), reply.probe.packet, False
    status = observe.status
    if observe.by == "status" and status is not None and status.packet is not None:
        yield (*path, "status", "packet"), status.packet, True


def packets_sound(profile: Profile, node: int) -> Iterator[Broken]:
    """What is true of the packets on the bus is true of answers."""
    for path, form, _ in _forms(profile, node):
        if path == ("packet",):
            continue
        shim = profile.model_copy(update={"packet": form})
        for rule in (*packet.RULES, *check.RULES):
            yield from (_moved(found, path) for found in rule(shim))


def packets_checked(
    profile: Profile, check_octets: CheckOctets | None
) -> Iterator[Broken]:
    """The same, for the rules that have to know named checks."""
    for node in range(len(profile.node)):
        for path, form, _ in _forms(profile, node):
            if path == ("packet",):
                continue
            shim = profile.model_copy(update={"packet": form})
            for rule in check.RULES_WITH_CHECKS:
                found = rule(shim, check_octets)
                yield from (_moved(one, path) for one in found)


def _moved(found: Broken, path: Path) -> Broken:
    """A broken rule about `packet`, at another place."""

    def place(piece: Said) -> Said:
        at_packet = isinstance(piece, tuple) and piece[:1] == ("packet",)
        return (*path, *piece[1:]) if at_packet else piece

    moved = place(found.path)
    assert isinstance(moved, tuple)
    return replace(found, path=moved, expected=tuple(map(place, found.expected)))


def answers_end(profile: Profile, node: int) -> Iterator[Broken]:
    """A host, which cannot rely on gaps, can tell where an answer ends."""
    forms = [form for form in _forms(profile, node) if form[2]]
    for path, form, _ in forms:
        if form.framing in packet.DELIMITERS or packet.sized(form):
            continue
        expected = ("a length field, or payload octets, for an answer at ",)
        yield broken(
            (*path, "fields"), "end of an answer not known", "", *expected, path
        )
    delimiters = {packet.DELIMITERS.get(form.framing) for _, form, _ in forms}
    if len(delimiters) > 1:
        path, form, _ = forms[-1]
        framing = ("the framing of ", (*forms[0][0], "framing"))
        what = "answers of two framings"
        yield broken((*path, "framing"), what, form.framing, *framing)


# --- lanes and counters ---------------------------------------------------------------


def lane_readable(profile: Profile, node: int) -> Iterator[Broken]:
    """A lane that a port reads is there, carries characters, and has its port."""
    found, path = profile.node[node], _observe(node)
    if found.observe.by != "lane":
        return
    lane, output = found.observe.lane, found.output
    if lane is None or lane.port is None:
        needed = ("the name of a port, for lane at ", (*path, "by"))
        yield broken((*path, "lane", "port"), "required key missing", "", *needed)
    at = ("node", node, "output")
    if output.signal != "uart":
        expected = ("another way, or uart at ", (*at, "signal"))
        yield broken((*path, "by"), "no characters on a lane", "lane", *expected)
    if lane is not None and lane.lane >= output.lanes:
        limit = (f"0 to {output.lanes - 1}, as ", (*at, "lanes"))
        yield broken((*path, "lane", "lane"), "no such lane", lane.lane, *limit)


def status_stated(profile: Profile, node: int) -> Iterator[Broken]:
    """Counters come in a line or in a packet, and those that are named are in it."""
    observe, path = profile.node[node].observe, (*_observe(node), "status")
    if observe.by != "status":
        return
    status = observe.status or StatusObserve()
    if (status.line is None) == (status.packet is None):
        what = "required key missing" if status.line is None else "two kinds of status"
        expected = ("either a line, or ", (*path, "packet"))
        yield broken((*path, "line"), what, "", *expected)
        return
    known = {counter.name for counter in status.counters}
    place: Path = (*path, "counters")
    if status.line is not None:
        place = (*path, "line")
        try:
            known = set(re.compile(status.line).groupindex)
        except re.error as error:
            what = f"not a regular expression: {error.msg}"
            yield broken(place, what, status.line)
            return
    for key, name in _names(status):
        if name not in known:
            where = ("the name of one at ", place)
            yield broken((*path, *key), "no such counter", name, *where)


def _names(status: StatusObserve) -> Iterator[tuple[Path, str]]:
    """The counters that something is made of, each with its key."""
    for key in ("shown", "received", "uptime", "reset_cause", "version"):
        if (name := getattr(status, key)) is not None:
            yield (key,), name
    for index, name in enumerate(status.errors):
        yield ("errors", index), name


def counters_inside(profile: Profile, node: int) -> Iterator[Broken]:
    """Counters lie in the payload of their packet."""
    observe, path = profile.node[node].observe, (*_observe(node), "status")
    status = observe.status
    if observe.by != "status" or status is None or status.packet is None:
        return
    payloads = [one for one in status.packet.fields if one.kind == "payload"]
    if len(payloads) != 1:
        return
    least = packet.payload_range(payloads[0])[0]
    for index, counter in enumerate(status.counters):
        last = counter.at + counter.size - 1
        if last >= least:
            expected = (f"0 to {least - 1}, as ", (*path, "packet"))
            at = (*path, "counters", index, "at")
            text = f"octets {counter.at} to {last}"
            yield broken(at, "counter beyond the payload", text, *expected)


NODE_RULES = (
    one_way,
    reply_possible,
    packets_sound,
    answers_end,
    lane_readable,
    status_stated,
    counters_inside,
)
RULES_WITH_CHECKS = (packets_checked,)
