"""Rules about how nodes are seen: one line a fault, where it is to be mended."""

from __future__ import annotations

from typing import Any

import pytest
from unit.profile.edits import faults

from bench.wire.checks import Check

HALF: dict[str, Any] = {"bus.direction": "half", "traffic.pacing": "timed"}
FIELDS = [
    {"kind": "literal", "octets": "5A"},
    {"kind": "address"},
    {"kind": "payload", "octets": 1},
]
ANSWER: dict[str, Any] = {"framing": "marker", "fields": FIELDS}


def octets_of(name: str) -> int:
    """Octets of a named check."""
    return Check.named(name).size


def reply(**keys: Any) -> dict[str, Any]:
    """All nodes seen by their answers."""
    return {**HALF, "observe": {"by": "reply", "reply": keys}}


def status(**keys: Any) -> dict[str, Any]:
    """All nodes seen by their counters."""
    return {"observe": {"by": "status", "status": keys}}


BROKEN: dict[str, tuple[dict[str, Any], str]] = {
    "two ways": (
        {**HALF, "observe.by": "reply", "node.2.observe": {"by": "lines"}},
        (
            "another way to be seen: lines, expected reply, as observe.by "
            "@ node.2.observe.by"
        ),
    ),
    "two kinds of lines": (
        {"observe.by": "lines", "node.1.observe": {"lines": {"tells": []}}},
        "seen in two ways, expected the same as observe.lines @ node.1.observe.lines",
    ),
    "packed answers": (
        {"bus.direction": "half", "observe.by": "reply"},
        (
            "no quiet for an answer: reply, expected another way, or timed at "
            "traffic.pacing @ observe.by"
        ),
    ),
    "an answer without an end": (
        reply(
            packet={
                **ANSWER,
                "framing": "silence",
                "silence": "1 ms",
                "fields": [FIELDS[1], {"kind": "payload", "most": 9}],
            }
        ),
        (
            "end of an answer not known, expected a length field, or payload octets, "
            "for an answer at observe.reply.packet @ observe.reply.packet.fields"
        ),
    ),
    "an answer without a marker": (
        reply(packet={**ANSWER, "fields": FIELDS[1:]}),
        (
            "no marker: address, expected a literal first, for marker at "
            "observe.reply.packet.framing @ observe.reply.packet.fields.0"
        ),
    ),
    "a check without a name": (
        reply(
            refusal={**ANSWER, "fields": [*FIELDS, {"kind": "check", "algorithm": "x"}]}
        ),
        "unknown check: x",
    ),
    "two framings": (
        reply(packet=ANSWER, refusal={"framing": "slip", "fields": FIELDS}),
        (
            "answers of two framings: slip, expected the framing of "
            "observe.reply.packet.framing @ observe.reply.refusal.framing"
        ),
    ),
    "a lane without a port": (
        {"node.0.observe": {"by": "lane"}},
        (
            "required key missing, expected the name of a port, for lane at "
            "node.0.observe.by @ node.0.observe.lane.port"
        ),
    ),
    "a clocked lane": (
        {"node.0.observe": {"by": "lane", "lane": {"port": "x"}}},
        (
            "no characters on a lane: lane, expected another way, or uart at "
            "output.signal @ node.0.observe.by"
        ),
    ),
    "a lane too many": (
        {"node.0.observe": {"by": "lane", "lane": {"port": "x", "lane": 8}}},
        "no such lane: 8, expected 0 to 7, as output.lanes @ node.0.observe.lane.lane",
    ),
    "no status": (
        status(),
        (
            "required key missing, expected either a line, or observe.status.packet "
            "@ observe.status.line"
        ),
    ),
    "two kinds of status": (
        status(line="(?P<up>.)", packet=ANSWER),
        (
            "two kinds of status, expected either a line, or observe.status.packet "
            "@ observe.status.line"
        ),
    ),
    "no expression": (
        status(line="(?P<up>"),
        (
            "not a regular expression: missing ), unterminated subpattern: (?P<up> "
            "@ observe.status.line"
        ),
    ),
    "no such group": (
        status(line="(?P<up>.)", shown="shown", uptime="up"),
        (
            "no such counter: shown, expected the name of one at observe.status.line "
            "@ observe.status.shown"
        ),
    ),
    "no such counter": (
        status(packet=ANSWER, errors=["crc"]),
        (
            "no such counter: crc, expected the name of one at observe.status.counters "
            "@ observe.status.errors.0"
        ),
    ),
    "a counter beyond the payload": (
        status(packet=ANSWER, counters=[{"name": "up", "at": 0, "size": 2}]),
        (
            "counter beyond the payload: octets 0 to 1, expected 0 to 0, as "
            "observe.status.packet @ observe.status.counters.0.at"
        ),
    ),
    "an unknown key": (
        {"observe": {"by": "lines", "lines": {"tell": []}}},
        "observe.lines.tell",
    ),
}


@pytest.mark.parametrize(("changes", "said"), BROKEN.values(), ids=BROKEN)
def test_broken(changes, said):
    """Each is one fault, told once though four nodes share the table."""
    found = faults(changes, check_octets=octets_of)
    assert len([one for one in found if said in one]) == 1, found


SOUND: dict[str, dict[str, Any]] = {
    "answers as the packets are": reply(),
    "answers and refusals": reply(packet=ANSWER, refusal=ANSWER, payload=False),
    "a table for another day": {"observe": {"reply": {"window": "9 ms"}}},
    "some nodes are not seen": {
        "node.0.observe": {"by": "lines"},
        "node.3.observe": {"by": "lines"},
    },
    "lines": {"observe": {"by": "lines", "lines": {"tells": ["octets", "lost"]}}},
    "a line of text": status(line=r"(?P<node>\d+) (?P<n>\d+)", shown="n"),
}


@pytest.mark.parametrize("changes", SOUND.values(), ids=SOUND)
def test_sound(changes):
    """What is just inside a rule is sound."""
    assert faults(changes, check_octets=octets_of) == []
