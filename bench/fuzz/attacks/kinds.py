"""Every attack by name.

A row of a case is (kind, place, value).  The numbers of kinds are those of
`bench.kernels.fuzz.records`; files name them, so that numbers may change.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["KINDS", "NUMBER_OF", "Kind"]


@dataclass(frozen=True, slots=True)
class Kind:
    """One attack.

    Attributes:
        number: Its number in a row.
        name: Its name.
        sentence: What is sent.
        place: What the place means; "" where it means nothing.
        value: What the value means, likewise.
        simplest: The value that is simplest.
    """

    number: int
    name: str
    sentence: str
    place: str = ""
    value: str = ""
    simplest: int = 0


_OCTET = "octet of the packet on the line, from 0"
_TOLD = (
    ("calm", "a good packet after a pause", "", "idle time before it, ns", 0),
    (
        "check-value",
        "a packet whose check is wrong",
        "",
        "what is xored into the check",
        1,
    ),
    (
        "check-order",
        "a packet whose check's octets are turned round",
        "",
        "by how many",
        1,
    ),
    (
        "check-span",
        "a packet whose check covers other octets",
        "0: begins, 1: ends elsewhere",
        "0, 1, 2, 3 …: 1 later, 1 earlier, 2 later, 2 earlier …",
        0,
    ),
    (
        "length-zero",
        "a packet that says it is empty",
        "0: its check is right, 1: of the true length",
        "",
        0,
    ),
    (
        "length-short",
        "a packet that says it is shorter",
        "0: its check is right, 1: of the true length",
        "by how many octets",
        1,
    ),
    (
        "length-long",
        "a packet that says it is longer",
        "0: its check is right, 1: of the true length",
        "by how many octets",
        1,
    ),
    (
        "length-maximal",
        "a packet that says the most that fits the field",
        "0: its check is right, 1: of the true length",
        "less so many",
        0,
    ),
    (
        "length-wrapping",
        "a packet whose length is right only in its low octets",
        "0: its check is right, 1: of the true length",
        "what its high octet says too much",
        1,
    ),
    ("truncated", "the beginning of a packet", "octets that are sent", "", 0),
    (
        "marker-inside",
        "a packet whose payload holds the beginning of one",
        "octet of the payload",
        "octets of that beginning",
        1,
    ),
    (
        "header-inside-header",
        "a packet that begins once more within its head",
        "octets sent before it does",
        "",
        1,
    ),
    (
        "delimiters-repeated",
        "a packet with delimiters too many",
        "0: before, 1: after it",
        "how many",
        1,
    ),
    (
        "delimiter-missing",
        "a packet without a delimiter",
        "0: before, 1: after it",
        "",
        0,
    ),
    (
        "bad-escape",
        "a packet with a wrong escape, or a wrong count of a group",
        _OCTET,
        "the octet after the escape, or the count",
        0,
    ),
    (
        "address-bits",
        "a sound packet for an address some bits away",
        "",
        "bits of the address turned over",
        1,
    ),
    (
        "address-near",
        "a sound packet for an address next to it",
        "",
        "0, 1, 2, 3 …: 1 above, 1 below, 2 above, 2 below …",
        0,
    ),
    ("broadcast", "a sound packet for every node", "", "which broadcast address", 0),
    (
        "broadcast-size",
        "a broadcast packet of another size",
        "octets of payload",
        "which broadcast address",
        0,
    ),
    (
        "broadcast-near",
        "a sound packet for nearly a broadcast address",
        "bit turned over",
        "which broadcast address",
        0,
    ),
    (
        "foreign-twin",
        "a sound packet for somebody else, as long as this node's",
        "",
        "which foreign address",
        0,
    ),
    (
        "foreign-shell",
        "a packet for somebody else that holds one for this node",
        "octets of payload",
        "which foreign address",
        0,
    ),
    ("sequence-repeat", "the same packet more than once", "", "times more", 1),
    (
        "sequence-jump",
        "a packet whose number is ahead",
        "",
        "by how many",
        1,
    ),
    ("sync-missed", "packets without a sync", "", "", 0),
    ("sync-early", "a sync right after a packet", "", "idle time between, ns", 0),
    (
        "runt",
        "a sound packet that does not fill the lanes",
        "",
        "octets of payload",
        0,
    ),
    ("giant", "a packet that holds too much", "", "octets of payload", 0),
    ("pause-inside", "a packet with a pause in it", _OCTET, "idle time, ns", 0),
    ("no-gap", "packets without anything between", "", "how many more than one", 1),
    ("noise-before", "random octets, then a packet", "", "octets", 1),
    ("noise-inside", "a packet some of whose octets are random", _OCTET, "octets", 1),
    ("noise-after", "a packet, then random octets", "", "octets", 1),
    (
        "spike",
        "a packet, and the line turned over for an instant",
        "half bits from its first start bit",
        "for how long, ns",
        1,
    ),
    ("framing-error", "a packet with a missing stop bit", _OCTET, "", 0),
    ("parity-error", "a packet with a wrong parity bit", _OCTET, "", 0),
    (
        "break-inside",
        "a packet with a break in it",
        _OCTET,
        "its length, ns; at least a character",
        0,
    ),
    (
        "baud-offset",
        "a packet at another baud",
        "0: faster, 1: slower",
        "parts per million",
        0,
    ),
    (
        "baud-drift",
        "a packet whose baud drifts",
        "0: faster, 1: slower",
        "at its end, parts per million",
        0,
    ),
    (
        "bit-error",
        "a packet with one wrong bit",
        "bit, as the check takes them in",
        "",
        0,
    ),
    ("bit-errors", "a packet with some wrong bits", "", "how many", 1),
    (
        "bit-burst",
        "a packet with a burst of wrong bits",
        "its first bit, as the check takes them in",
        "the bits, a set of ones",
        1,
    ),
    ("overload", "packets faster than they can be shown", "", "more than one", 1),
    ("slow-drip", "a packet, every octet by itself", "", "idle time after each, ns", 1),
    (
        "reset-inside",
        "a packet, and the node begins anew",
        _OCTET,
        "ns after its start bit",
        0,
    ),
    (
        "start-inside",
        "the node is switched on within a packet",
        _OCTET,
        "ns after its start bit",
        0,
    ),
    ("silence", "a good packet after a long silence", "", "idle time, ns", 0),
    (
        "literal-wrong",
        "a packet whose fixed octets are others",
        "which of them",
        "what is xored into it",
        1,
    ),
    (
        "mark-inside",
        "a packet with a marked character in it",
        _OCTET,
        "",
        0,
    ),
)

KINDS = tuple(Kind(number, *told) for number, told in enumerate(_TOLD))
"""All attacks, in the order of their numbers."""

NUMBER_OF = {kind.name: kind.number for kind in KINDS}
