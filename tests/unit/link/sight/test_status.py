"""What a counter grew by was shown; a reset is a reset and not a heap of losses."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st
from unit.link.sight.packets import columns

from bench.link.sight import StatusSighter, sighter_of
from bench.link.transport import Heard
from bench.profile import profile_of
from bench.profile.load import load_profile
from bench.wire.format import format_of
from bench.wire.packets import build

PATTERN = (
    r"(?P<node>[\w-]+): up (?P<up>\d+) shown (?P<shown>\d+) got (?P<got>\d+) "
    r"crc (?P<crc>\d+) over (?P<over>\d+) why (?P<why>\w+) fw (?P<fw>\S+)"
)
STATUS = {
    "line": PATTERN,
    "shown": "shown",
    "received": "got",
    "errors": ["crc", "over"],
    "wrap_bits": 16,
    "uptime": "up",
    "reset_cause": "why",
    "version": "fw",
}
PACKET = {
    "framing": "marker",
    "fields": [
        {"kind": "literal", "octets": "C3 5A"},
        {"kind": "address"},
        {"kind": "payload", "octets": 6},
        {"kind": "check", "algorithm": "CRC-16/MODBUS"},
    ],
}


def sighter(**status) -> StatusSighter:
    """A sighter of the causeway's nodes."""
    tables = load_profile("causeway").dump()
    for node in tables["node"]:
        node["observe"] = {"by": "status", "status": status or STATUS}
    found = sighter_of(profile_of(tables))
    assert isinstance(found, StatusSighter)
    return found


def hear(who: StatusSighter, text: str, at_ns: int = 0) -> None:
    """A line comes."""
    who.heard(Heard(text.encode(), at_ns), at_ns)


def line(node: int | str, up: int, shown: int, *, crc: int = 0, why: str = "on") -> str:
    """What a node writes."""
    counts = f"shown {shown} got {shown} crc {crc} over 0"
    return f"{node}: up {up} {counts} why {why} fw 2.1\r\n"


def shown(who: StatusSighter) -> list[int]:
    """The nodes that showed something."""
    return who.seen(10**12).shown["node"].tolist()


def name_of(index: int) -> str:
    """A node's name."""
    return load_profile("causeway").node[index].name


def test_differences():
    """Only what a counter grew by since the first report counts."""
    who = sighter()
    hear(who, line(1, 10, 5_000) + line(2, 10, 70))
    assert shown(who) == []
    hear(who, line(1, 11, 5_003, crc=2) + line(2, 11, 70))
    assert shown(who) == [0, 0, 0]
    figures = who.evidence().figures["status"][name_of(0)]
    assert figures == {
        "reports": 2,
        "shown": 3,
        "received": 3,
        "errors": {"crc": 2, "over": 0},
        "resets": 0,
        "version": "2.1",
    }
    assert who.evidence().findings == ()
    assert who.observes.shown
    assert not who.observes.data
    assert not who.observes.times


def test_a_wrap():
    """A counter of sixteen bits that starts again has grown over its end."""
    who = sighter()
    hear(who, line(1, 10, 65_534))
    hear(who, line(1, 11, 2))
    assert shown(who) == [0] * 4
    assert who.evidence().findings == ()


def test_uptime_goes_back():
    """A node that was reset is found so, and its counters begin at zero."""
    who = sighter()
    hear(who, line(1, 100, 500))
    for k in range(9):
        who.sent(*columns(k, k, b"\xa5", (k, k + 1), b"x"))
    hear(who, line(1, 3, 4), at_ns=2_500_000_000)
    assert shown(who) == [0] * 4
    evidence = who.evidence()
    assert evidence.findings == (
        f"{name_of(0)} was reset, found 2.500 s into the trial (cause on)",
    )
    assert evidence.notes == (
        (
            f"up to 5 packets for {name_of(0)} came before a reset and after its last "
            "report: they are counted lost, but it may have shown them"
        ),
    )


def test_another_cause():
    """A new cause of the last reset tells one, even if the uptime has caught up."""
    who = sighter()
    hear(who, line(1, 1, 500))
    hear(who, line(1, 9, 2, why="brownout"), at_ns=1_000_000_000)
    assert shown(who) == [0, 0]
    (said,) = who.evidence().findings
    assert said.endswith("1.000 s into the trial (cause brownout)")


def test_not_observable_is_not_zero():
    """A node that never reported has no figures, and the trial is void."""
    who = sighter()
    hear(who, line(name_of(0), 1, 5))
    figures = who.evidence().figures["status"]
    assert figures[name_of(0)]["shown"] == 0
    assert figures[name_of(3)]["shown"] is None
    assert f"no status of {name_of(3)} was heard" in who.evidence().void


def test_a_baseline_that_comes_too_late():
    """What was shown before the first report is not known, and that is said."""
    who = sighter()
    for k in range(3):
        who.sent(*columns(k, k, b"\xa5", (k, k + 1), b"x"))
    for node in range(1, 5):
        hear(who, line(node, 1, 3))
    assert who.evidence().void == (
        (
            f"the first status of {name_of(0)} was heard after 3 packets: what it "
            "shows of them is not known"
        ),
    )


def test_in_a_packet():
    """The same by a packet of its own form, among other octets."""
    counters = [
        {"name": "shown", "at": 0, "size": 2},
        {"name": "crc", "at": 2, "size": 2, "order": "little"},
        {"name": "up", "at": 4, "size": 2},
    ]
    status = {"packet": PACKET, "counters": counters, "shown": "shown"}
    who = sighter(**status, errors=["crc"], uptime="up", wrap_bits=16)
    form = format_of(who._observe.packet)

    def report(shown: int, crc: int, up: int) -> bytes:
        numbers = (shown.to_bytes(2), crc.to_bytes(2, "little"), up.to_bytes(2))
        return build(form, address=2, payload=b"".join(numbers))

    octets = b"\xc3" + report(65_535, 7, 1) + b"junk\xc3\x5a" + report(1, 9, 2)
    for at_ms, octet in enumerate(octets):
        at_ns = at_ms * 1_000_000
        who.heard(Heard(bytes([octet]), at_ns), at_ns)
    assert shown(who) == [1, 1]
    figures = who.evidence().figures["status"][name_of(1)]
    assert figures["errors"] == {"crc": 2}
    assert figures["received"] is None
    assert figures["version"] is None


def test_lines_that_hold_no_status():
    """What does not match is counted, and so is a node that is not there."""
    who = sighter()
    hear(who, "boot\r\n\r\n" + line(77, 1, 1) + "x" * 5_000)
    assert who.evidence().notes == ("3 lines were heard that hold no status",)


TEXT = "".join(line(1 + k % 4, k, 3 * k) for k in range(12))


@given(st.lists(st.integers(0, len(TEXT)), max_size=12))
def test_reads_do_not_matter(places):
    """However the text is cut into reads, the same was shown."""
    whole, cut = sighter(), sighter()
    hear(whole, TEXT)
    for a, b in pairwise([0, *sorted(places), len(TEXT)]):
        hear(cut, TEXT[a:b])
    assert shown(cut) == shown(whole)
    assert cut.evidence() == whole.evidence()
