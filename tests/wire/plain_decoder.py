"""A decoder once more: slow, plain, one symbol at a time, from the written meaning.

It reads the records of a packet format and uses nothing else of the bench: it has its
own stuffing, its own checks, its own idea of modes.  It wants all of its input at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

MARKER, OCTET, SILENCE_ENDS, BREAK_BEGINS, NINTH = 1, 2, 3, 4, 5  # as in Delimiter
NONE, COBS, ESCAPE, FLIP = 0, 1, 2, 3  # as in Stuffing
BREAK_FLAW, ADDRESS_FLAW = 3, 4  # as in Flaw


@dataclass
class Symbol:
    """One of octet, flawed, marked, break, pause, silence."""

    kind: str
    place: int
    value: int = 0


def symbols_of(rule: Any, inputs: list[tuple]) -> list[Symbol]:
    """One symbol each for ("octets", b), ("flaw", octet, kind) and ("gap", ns)."""
    symbols: list[Symbol] = []
    place = 0
    for what, *given in inputs:
        if what == "gap":
            idle = given[0]
            if rule.silence_ns is not None and idle >= rule.silence_ns:
                symbols.append(Symbol("silence", place))
            elif rule.pause_ns is not None and idle > rule.pause_ns:
                symbols.append(Symbol("pause", place))
            continue
        if what == "octets":
            new = [("octet", value) for value in given[0]]
        else:
            octet, kind = given
            is_break = kind == BREAK_FLAW
            if is_break and rule.kind == BREAK_BEGINS:
                new = [("break", 0)]
            elif kind == ADDRESS_FLAW:
                new = [("marked" if rule.kind == NINTH else "octet", octet)]
            elif rule.reject_flaws:
                new = [("break" if is_break else "flawed", octet)]
            else:
                new = [("octet", 0 if is_break else octet)]
        for name, value in new:
            symbols.append(Symbol(name, place, value))
            place += 1
    symbols.append(Symbol("silence", place))  # the end of the input
    return symbols


# --- stuffing and checks --------------------------------------------------------------


def unstuffed(rule: Any, raw: list[int]) -> list[int] | str:
    """The octets, or the name of what is wrong."""
    if rule.kind == NONE:
        return raw
    return uncounted(raw) if rule.kind == COBS else unescaped(rule, raw)


def uncounted(raw: list[int]) -> list[int] | str:
    """COBS: a zero after every group but a full one and the last."""
    out: list[int] = []
    left = 0  # octets of the group still to come
    zero = False  # whether a zero follows the group, if anything does
    for value in raw:
        if left:
            out.append(value)
            left -= 1
            continue
        if zero:
            out.append(0)
        zero = value != 255
        left = value - 1
    return "BAD_STUFFING" if left else out


def unescaped(rule: Any, raw: list[int]) -> list[int] | str:
    """ESCAPE and FLIP: what follows an escape stands for something else."""
    out: list[int] = []
    escaped = False
    for value in raw:
        if escaped:
            escaped = False
            if rule.kind == FLIP:
                out.append(value ^ 0x20)
                continue
            meant = [octet for code, octet in rule.pairs if code == value]
            if not meant:
                return "BAD_STUFFING"
            out.append(meant[0])
        elif value == rule.escape:
            escaped = True
        else:
            out.append(value)
    if escaped:
        return "ABORTED" if rule.kind == FLIP else "BAD_STUFFING"
    return out


def reversed_bits(value: int, width: int) -> int:
    """The bits of a number the other way round."""
    return sum(((value >> k) & 1) << (width - 1 - k) for k in range(width))


def check_value(check: Any, octets: list[int]) -> int:
    """A check by the textbook, one bit at a time."""
    name = check.name
    if name == "none":
        return 0
    if name == "sum-8":
        return sum(octets) % 256
    if name == "lrc-8":
        return -sum(octets) % 256
    if name == "xor-8":
        value = 0
        for octet in octets:
            value ^= octet
        return value
    assert name.startswith("CRC-"), name
    top = 1 << (check.width - 1)
    register = check.init
    for octet in octets:
        fed = reversed_bits(octet, 8) if check.refin else octet
        for k in range(7, -1, -1):
            out = bool(register & top) != bool((fed >> k) & 1)
            register = (register << 1) & (2 * top - 1)
            if out:
                register ^= check.poly
    if check.refout:
        register = reversed_bits(register, check.width)
    return register ^ check.xorout


def value_of(number: Any, packet: list[int]) -> int:
    """The number at a place of a whole packet, counted from either end."""
    at = number.at if number.at >= 0 else len(packet) + number.at
    octets = packet[at : at + number.size]
    if number.order == "little":
        octets = octets[::-1]
    value = 0
    for octet in octets:
        value = 256 * value + octet
    return value


def literal_missing(literals: Any, packet: list[int]) -> bool:
    """Whether one of some literals is not where it should be."""
    for at, octets in literals:
        start = at if at >= 0 else len(packet) + at
        if packet[start : start + len(octets)] != list(octets):
            return True
    return False


def check_fails(rule: Any, packet: list[int]) -> bool:
    """Whether the check is wrong."""
    if rule is None or rule.check.size == 0:
        return False
    start = rule.start if rule.start >= 0 else len(packet) + rule.start
    end = rule.end if rule.end > 0 else len(packet) + rule.end
    return check_value(rule.check, packet[start:end]) != value_of(rule.field, packet)


# --- the decoder ----------------------------------------------------------------------


@dataclass
class PlainDecoder:
    """Runs over a list of symbols, with an index that may be set back."""

    format: Any
    resync: str
    symbols: list[Symbol]
    events: list[tuple] = field(default_factory=list)
    mode: str = ""
    start: int | None = None  # place at which the packet began
    start_index: int = 0  # the symbol at which it began
    body: list[int] = field(default_factory=list)  # its octets so far
    index: int = 0

    def run(self) -> list[tuple]:
        """All events."""
        self.initial()
        while self.index < len(self.symbols):
            symbol = self.symbols[self.index]
            self.index += 1
            self.step(symbol)
        return self.events

    @property
    def framing(self) -> int:
        """The kind of delimiter."""
        return int(self.format.delimiting.kind)

    @property
    def filled(self) -> bool:
        """Whether the packet's end follows from its head."""
        return self.framing == MARKER or (
            self.framing in (BREAK_BEGINS, NINTH) and self.format.layout.sized
        )

    def initial(self) -> None:
        """As if nothing had come yet."""
        hunting = self.framing in (MARKER, BREAK_BEGINS, NINTH)
        self.mode = "hunt" if hunting else "inside"
        self.start = None
        self.body = []

    def begin(self, symbol: Symbol) -> None:
        """A packet or a candidate."""
        self.start = symbol.place
        self.start_index = self.index - 1
        self.body = []
        self.events.append(("begun", symbol.place))

    def step(self, symbol: Symbol) -> None:
        """One symbol."""
        if symbol.kind == "break" and self.framing == BREAK_BEGINS:
            self.begins_another(symbol)
        elif symbol.kind == "marked":
            self.begins_another(symbol)
            self.octet_inside(symbol)
        elif self.mode == "deaf":
            if symbol.kind == "silence":
                self.initial()
        elif self.mode == "hunt":
            self.hunt(symbol)
        elif symbol.kind in ("flawed", "break"):
            if self.start is None:
                self.begin(symbol)
            self.reject("LINE_ERROR", symbol.place + 1, "octet")
        elif symbol.kind in ("pause", "silence"):
            self.gap_inside(symbol)
        else:
            self.octet_inside(symbol)

    def hunt(self, symbol: Symbol) -> None:
        """Looking for a start; with a marker, perhaps in the middle of it."""
        if self.framing == OCTET:
            delimiter = self.format.delimiting.octets[0]
            if symbol.kind == "octet" and symbol.value == delimiter:
                self.initial()
            return
        if self.framing != MARKER:
            return
        marker = list(self.format.delimiting.octets)
        if self.start is None:
            if symbol.kind == "octet" and symbol.value == marker[0]:
                self.begin(symbol)
                self.body = [symbol.value]
        elif symbol.kind == "octet" and symbol.value == marker[len(self.body)]:
            self.body.append(symbol.value)
        else:  # from the place after the candidate's first
            self.start = None
            self.body = []
            self.index = self.start_index + 1
            return
        if self.body == marker:
            self.mode = "inside"
            self.look_at_filled(symbol.place + 1)

    def gap_inside(self, symbol: Symbol) -> None:
        """A pause or a silence in INSIDE."""
        if not self.body:
            return
        silent = symbol.kind == "silence"
        if not self.filled and self.framing in (SILENCE_ENDS, BREAK_BEGINS, NINTH):
            if silent:
                self.examine(symbol.place, "silence")
            elif self.framing == SILENCE_ENDS:
                self.reject("PAUSE", symbol.place, "pause")
            return
        self.reject("PAUSE", symbol.place, "silence" if silent else "pause")

    def octet_inside(self, symbol: Symbol) -> None:
        """A sound octet in INSIDE."""
        end = symbol.place + 1
        delimiter = list(self.format.delimiting.octets)
        if self.framing == OCTET and [symbol.value] == delimiter:
            if self.start is not None:
                self.examine(end, "delimiter")
            return
        if self.start is None:
            self.begin(symbol)
        self.body.append(symbol.value)
        if self.filled:
            self.look_at_filled(end)
        elif len(self.body) > self.most_raw():
            self.reject("BAD_LENGTH", end, "octet")

    def most_raw(self) -> int:
        """Octets of the longest packet as they lie between delimiters."""
        longest = self.format.layout.longest
        stuffing = self.format.unstuffing.kind
        if stuffing == COBS:
            return longest + max(1, -(-longest // 254))
        return longest * (2 if stuffing in (ESCAPE, FLIP) else 1)

    def begins_another(self, symbol: Symbol) -> None:
        """A break or a marked octet ends what there is and begins another."""
        if self.mode == "inside" and self.filled:
            self.reject("LINE_ERROR", symbol.place, "octet")
        elif self.mode == "inside" and self.body:
            self.examine(symbol.place, "delimiter")
        self.mode = "inside"
        self.begin(symbol)

    def look_at_filled(self, end: int) -> None:
        """After each octet of a packet whose head tells its length."""
        layout = self.format.layout
        payload = layout.least
        if layout.length is not None and layout.length.at >= 0:
            if len(self.body) < layout.head:
                return
            payload = value_of(layout.length, self.body) - layout.length_adds
        if len(self.body) == layout.head:
            in_head = [item for item in layout.literals if item[0] >= 0]
            if literal_missing(in_head, self.body):
                self.reject("BAD_LITERAL", end, "octet")
                return
            if not layout.least <= payload <= layout.most:
                self.reject("BAD_LENGTH", end, "octet")
                return
        if len(self.body) == layout.head + payload + layout.tail:
            self.examine(end, "octet")

    def examine(self, end: int, revealed: str) -> None:
        """A packet that is complete."""
        layout = self.format.layout
        packet = unstuffed(self.format.unstuffing, self.body)
        if isinstance(packet, str):
            self.reject(packet, end, revealed, known=[])
            return
        payload = len(packet) - layout.head - layout.tail
        fault = ""
        if len(packet) < layout.shortest:
            fault = "TOO_SHORT"
        elif literal_missing(layout.literals, packet):
            fault = "BAD_LITERAL"
        elif self.announced(packet, payload) != payload or payload > layout.most:
            fault = "BAD_LENGTH"
        elif check_fails(layout.check, packet):
            fault = "BAD_CHECK"
        if fault:
            self.reject(fault, end, revealed, known=packet)
            return
        address = None if layout.address is None else value_of(layout.address, packet)
        sequence = None
        if layout.sequence is not None:
            sequence = value_of(layout.sequence, packet)
        raw = bytes(packet)
        inside = raw[layout.head : layout.head + payload]
        self.events.append(("packet", self.start, end, raw, inside, address, sequence))
        self.initial()

    def announced(self, packet: list[int], otherwise: int) -> int:
        """The octets of payload that the length field tells, if there is one."""
        layout = self.format.layout
        if layout.length is None:
            return otherwise
        return value_of(layout.length, packet) - layout.length_adds

    def reject(
        self, reason: str, end: int, revealed: str, known: list[int] | None = None
    ) -> None:
        """Report, then go where the policy says."""
        layout = self.format.layout
        whole = known is not None and len(known) >= layout.shortest
        if known is None:
            known = [] if self.framing == OCTET else self.body
        address = None
        if layout.address is not None:
            at, size = layout.address.at, layout.address.size
            if whole if at < 0 else at + size <= len(known):
                address = value_of(layout.address, known)
        self.events.append(("rejected", self.start, end, reason, address))
        again = self.start_index + 1
        self.initial()
        if self.resync == "timeout":
            if revealed != "silence":
                self.mode = "deaf"
        elif self.framing == MARKER:
            if self.resync == "rescan":
                self.index = again
        elif self.framing == OCTET:
            if revealed == "octet":
                self.mode = "hunt"
        elif self.framing == SILENCE_ENDS and revealed != "silence":
            self.mode = "deaf"


def decode(packet: Any, resync: str, inputs: list[tuple]) -> list[tuple]:
    """All events of one input, for a packet format."""
    symbols = symbols_of(packet.delimiting, inputs)
    return PlainDecoder(packet, resync, symbols).run()
