"""What was sent, as somebody sees it who knows the packet format alone.

A packet that no node is to show was put there by somebody: for another address, or odd
on purpose.  What is odd about it is read from its characters, so it does not matter who
put it there.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from bench.base.columns import Drop, To
from bench.wire.format import Delimiter
from bench.wire.packets import address_in, fault_of
from bench.wire.stuffing import StuffingError, unstuff

if TYPE_CHECKING:
    import numpy as np

    from bench.wire.format import Format


class Kind(Enum):
    """What a packet was, in the words of a sentence."""

    OWN = "a packet for a node"
    BROADCAST = "a broadcast"
    FOREIGN = "a packet for another address"
    BAD_CHECK = "a packet with a bad check"
    BAD_LITERAL = "a packet with an unknown literal"
    CUT = "a packet that was cut short"
    NOISE = "a stray octet"
    BAD = "a bad packet"
    PROBE = "a probe"

    @property
    def word(self) -> str:
        """As the key of a figure."""
        return self.name.lower()

    @property
    def several(self) -> str:
        """In the plural."""
        words = self.value.removeprefix("a ").replace("a stray", "stray")
        for one, many in (
            ("packet that was", "packets that were"),
            ("packet with", "packets with"),
            ("packet for", "packets for"),
            ("bad packet", "bad packets"),
            ("broadcast", "broadcasts"),
            ("octet", "octets"),
            ("probe", "probes"),
        ):
            if one in words:
                return words.replace(one, many)
        return words


@dataclass(slots=True)
class Asked:
    """One packet that was sent.

    Attributes:
        kind: What it was.
        node: Index of the node that it was for; -1 for none.
        address: Whom it was for; None where that is not told, or was not sent.
        payload: What it carried.
        start_ns: Its first start bit.
        last_bit_ns: The end of its last stop bit.
        answered_ns: When the last octet of its answer was heard; None for none.
        refused: Whether that was a refusal.
        wrong: Whether it carried another payload than the packet.
    """

    kind: Kind
    node: int
    address: int | None
    payload: bytes
    start_ns: int
    last_bit_ns: int
    answered_ns: int | None = None
    refused: bool = False
    wrong: bool = False


class Reader:
    """Tells what packets were."""

    def __init__(
        self, form: Format, probe: Format | None, addresses: list[int]
    ) -> None:
        """Get ready.

        Args:
            form: How packets look.
            probe: How probes look, where there are any.
            addresses: Those of the nodes.
        """
        self._form = form
        self._probe = probe
        self._addresses = addresses

    def asked(self, row: np.void, characters: bytes) -> Asked:
        """One packet by its row and its characters on the line."""
        times = int(row["start_ns"]), int(row["last_bit_ns"])
        raw = self._raw(characters)
        if raw is None:
            return Asked(Kind.BAD, -1, None, b"", *times)
        layout = self._form.layout
        address = address_in(layout, raw)
        payload = raw[layout.head : len(raw) - layout.tail]
        node, to = self._node(address), int(row["to"])
        if to >= 0:
            return Asked(Kind.OWN, to, address, payload, *times)
        if to == To.EVERY_NODE:
            return Asked(Kind.BROADCAST, -1, address, payload, *times)
        probe = self._probe
        if probe is not None and fault_of(probe.layout, raw) is None:
            address = address_in(probe.layout, raw)
            return Asked(Kind.PROBE, self._node(address), address, b"", *times)
        return Asked(self._odd(raw), node, address, payload, *times)

    def _odd(self, raw: bytes) -> Kind:
        """What a packet was that no node is to show."""
        fault = fault_of(self._form.layout, raw)
        if fault is None:
            return Kind.FOREIGN
        if fault == Drop.TOO_SHORT:
            return Kind.NOISE if len(raw) <= 1 else Kind.CUT
        kinds = {
            Drop.BAD_CHECK: Kind.BAD_CHECK,
            Drop.BAD_LITERAL: Kind.BAD_LITERAL,
            Drop.BAD_LENGTH: Kind.CUT,
        }
        return kinds.get(fault, Kind.BAD)

    def _node(self, address: int | None) -> int:
        if address is None:
            return 0 if len(self._addresses) == 1 else -1
        mask = self._form.layout.mask
        for index, own in enumerate(self._addresses):
            if own & mask == address & mask:
                return index
        return -1

    def _raw(self, characters: bytes) -> bytes | None:
        """The unstuffed packet; None where it cannot be unstuffed."""
        delimiting = self._form.delimiting
        if delimiting.kind == Delimiter.BREAK:
            return characters[1:]
        if delimiting.kind == Delimiter.OCTET:
            characters = characters.strip(delimiting.octets)
        try:
            return unstuff(self._form.unstuffing, characters)
        except StuffingError:
            return None
