"""Plain twin of the schedule, from its definition: exact fractions, one packet a step.

A case is a dict.  Bus: `pitch_ns` (Fraction), `idle_ns`.  Packets: `framing`, `fields`,
`least`, `most` (of foreign payloads), `pad` (or None), `silence_ns`, `break_ns`,
`mark_ns`.  Nodes: `addresses`, `sizes`, `broadcast_address`, `broadcast_size`, `sync`;
`shared`: one packet for all of them, `own_sizes`: those of the own packets of a frame.
Traffic: `rate`, `pacing`, `together`, `every`, `pattern`, `marker`, `recording`,
`dither` and `share` in millionths, `foreign_addresses`, `foreign_sizes`.
"""

from __future__ import annotations

from fractions import Fraction
from math import ceil, floor

from . import packet_twin, philox_twin
from .payload_twin import Payloads

_MILLION = 1_000_000


class Plain:
    """A whole schedule.

    Attributes:
        octets: Every character.
        starts: When each one starts, a fraction of ns.
        breaks: (index, length) of every break.
        marks: Index of every character with its ninth bit set.
        rows: Every packet, a dict with the names of the column.
        end: When the last character ends.
    """

    def __init__(
        self,
        case: dict,
        keys: dict,
        *,
        packets: int | None = None,
        duration_ns: int | None = None,
    ) -> None:
        self.case, self.keys = case, keys
        self.octets = bytearray()
        self.starts: list[Fraction] = []
        self.breaks: list[tuple[int, int]] = []
        self.marks: list[int] = []
        self.rows: list[dict] = []
        self.now = Fraction(0)
        self.end = 0
        self.drawn = 0
        self.foreign = 0
        self.tallies: dict[int, int] = {}
        self.payloads = Payloads(case, keys["payload"])
        self.nodes = len(case["sizes"])
        self.own = len(case["own_sizes"])
        self.period = Fraction(10**9) / case["rate"]
        around = case["silence_ns"] + case["break_ns"] + case["mark_ns"]
        self.around = ceil(around / case["pitch_ns"])
        self.spare = self.around + (case["pacing"] == "timed")
        number = 0
        while packets is None or number < packets:
            frame, node = divmod(number, self.own)
            aim = frame * self.period
            if not case["together"]:
                aim += self.period * node / self.own
            begun = self.now if case["pacing"] == "flood" else aim
            if duration_ns is not None and begun >= duration_ns:
                break
            self._own(number, frame, node, aim)
            number += 1
        if number and self._open_ended():
            self._close()

    # --- own packets ------------------------------------------------------------------

    def _own(self, number: int, frame: int, node: int, aim: Fraction) -> None:
        case = self.case
        due = self._due(number, aim)
        while self._before(due):
            pass
        address = -1 if case["shared"] else case["addresses"][node]
        self._packet("own", frame, node, address, case["own_sizes"][node])
        last = node == self.own - 1
        if last and case["every"] and (frame + 1) % case["every"] == 0:
            address, size = case["broadcast_address"], case["broadcast_size"]
            self._packet("broadcast", frame, self.nodes, address, size)

    def _due(self, number: int, aim: Fraction) -> Fraction:
        case = self.case
        word = philox_twin.block(self.keys["dither"], number, 0)[0]
        if case["pacing"] == "packed":
            gap = max(0, floor((aim - self.now) / case["pitch_ns"]))
            gap += philox_twin.below(word, gap * case["dither"] // _MILLION + 1)
            return self.now + gap * case["pitch_ns"]
        if case["pacing"] == "timed":
            late = philox_twin.below(word, self._dither_ns() + 1)
            return Fraction(max(floor(aim) + late, ceil(self.now)))
        return self.now

    def _dither_ns(self) -> int:
        """The stated share of the time that is free per own packet, at the worst."""
        case = self.case
        taken = sum(self._longest_ns(size) for size in case["own_sizes"])
        if case["every"]:
            taken += self._longest_ns(case["broadcast_size"]) / case["every"]
        free = self.period * (1 - Fraction(case["share"], _MILLION)) - taken
        return floor(Fraction(case["dither"], _MILLION) * max(0, free) / self.own)

    def _longest_ns(self, size: int) -> Fraction:
        case = self.case
        around = case["silence_ns"] + case["break_ns"] + case["mark_ns"]
        return packet_twin.sizes(case, size)[1] * case["pitch_ns"] + around

    # --- what comes before one --------------------------------------------------------

    def _before(self, due: Fraction) -> bool:
        """Send one thing before an own packet; whether anything more may follow."""
        case = self.case
        room = max(0, floor((due - self.now) / case["pitch_ns"]))
        if case["pacing"] == "packed" and case["pad"] is None:
            return self._stuff_gap(room)
        size, wait = self._mix(room) if case["share"] else (None, room)
        if case["pacing"] == "packed":
            self._pads(wait)
        elif case["pacing"] == "timed":
            start = due if size is None else self.now + wait * case["pitch_ns"]
            self.now = Fraction(max(floor(start), ceil(self.now)))
        if size is None:
            return False
        self._foreign(size)
        return True

    def _draw(self) -> tuple[int, int]:
        """Payload and spacing word of the next foreign packet."""
        case = self.case
        words = philox_twin.block(self.keys["foreign mix"], self.drawn, 0)
        choices = case["foreign_sizes"]
        size = choices[philox_twin.below(words[1], len(choices))]
        vary = size * case["dither"] // _MILLION
        size += philox_twin.below(words[2], 2 * vary + 1) - vary
        return min(max(size, case["least"]), case["most"]), words[3]

    def _mix(self, room: int) -> tuple[int | None, int]:
        """A foreign packet's payload if it is owed and fits, and the wait before."""
        case = self.case
        flood = case["pacing"] == "flood"
        ahead = 0 if flood else room
        passed = floor(self.now / case["pitch_ns"])
        owed = case["share"] * (passed + ahead) - _MILLION * self.foreign
        size, word = self._draw()
        shortest, longest = packet_twin.sizes(case, size)
        cost, longest = shortest + self.around, longest + self.spare
        if owed <= 0 or 2 * owed < _MILLION * cost:
            return None, ahead
        if flood:
            return size, 0
        if longest > room:
            self.drawn += 1
            return None, ahead
        free = max(0, room - max(owed // _MILLION, longest))
        wait = free // (max(1, owed // (_MILLION * cost)) + 1)
        if case["pacing"] == "packed":
            wait = philox_twin.below(word, 2 * wait + 1)
        return size, wait

    def _stuff_gap(self, room: int) -> bool:
        """A foreign packet in a gap that nothing else may fill."""
        case = self.case
        least = packet_twin.sizes(case, case["least"])[1] + self.spare
        if room < least:
            return False
        size, _ = self._draw()
        left = room - packet_twin.sizes(case, size)[1] - self.spare
        if left < least:
            size = max(
                size
                for size in range(case["least"], case["most"] + 1)
                if packet_twin.sizes(case, size)[1] + self.spare <= room
            )
        self._foreign(size)
        return True

    # --- on the line ------------------------------------------------------------------

    def _character(self, octet: int) -> None:
        self.octets.append(octet)
        self.starts.append(self.now)
        self.now += self.case["pitch_ns"]

    def _pads(self, count: int) -> None:
        for _ in range(count):
            self._character(self.case["pad"])

    def _foreign(self, size: int) -> None:
        words = philox_twin.block(self.keys["foreign mix"], self.drawn, 0)
        addresses = self.case["foreign_addresses"]
        address = addresses[philox_twin.below(words[0], len(addresses))]
        self._packet("foreign", -1, -1, address, size)
        self.drawn += 1

    def _open_ended(self) -> bool:
        """Whether only the next packet ends one."""
        kinds = [field["kind"] for field in self.case["fields"]]
        sized = "length" in kinds or self.case["least"] == self.case["most"]
        return self.case["framing"] in ("break", "ninth-bit") and not sized

    def _close(self) -> None:
        """After the last packet: a break, or a foreign address and nothing else."""
        if self.case["pacing"] == "timed":
            self.now = Fraction(ceil(self.now))
        if self.case["framing"] == "ninth-bit":
            self.marks.append(len(self.octets))
            self._character(self.case["foreign_addresses"][0])
            self.end = floor(self.now - self.case["idle_ns"])
        else:
            self._break()
            self.end = floor(self.now - self.case["mark_ns"])

    def _break(self) -> None:
        self.breaks.append((len(self.octets), self.case["break_ns"]))
        self.octets.append(0)
        self.starts.append(self.now)
        self.now += self.case["break_ns"] + self.case["mark_ns"]

    def _shared(self, frame: int, size: int) -> bytes:
        """What every node would be sent by itself, each at its address, from 1 on."""
        payload = [0] * size
        nodes = zip(self.case["addresses"], self.case["sizes"], strict=True)
        for place, (address, octets) in enumerate(nodes):
            own = self.payloads.payload(frame, place, octets)
            payload[address - 1 : address - 1 + octets] = own
        return bytes(payload)

    def _packet(
        self, kind: str, frame: int, place: int, address: int, size: int
    ) -> None:
        case = self.case
        if case["pacing"] == "timed":
            self.now = Fraction(ceil(self.now))
        start = self.now
        shown = kind == "own" or (kind == "broadcast" and not case["sync"])
        if kind == "foreign":
            payload = philox_twin.fill(self.keys["foreign"], self.drawn, size)
        elif case["shared"]:
            payload = self._shared(frame, size)
        elif shown:
            payload = self.payloads.payload(frame, place, size)
        else:
            payload = bytes(size)
        sequence = self.tallies.get(address, 0)
        self.tallies[address] = sequence + 1
        packet = packet_twin.build(case, address, sequence, payload)
        line = packet_twin.stuff(case["framing"], packet)
        row = {
            "packet": len(self.rows),
            "frame": frame,
            "first": len(self.octets),
            "start_ns": floor(self.now),
            "payload": payload if shown else None,
            "payload_octets": size,
            "address": address,
            "to": {"own": place, "broadcast": -2, "foreign": -1}[kind],
        }
        if case["shared"]:
            row["to"] = -2
        if case["framing"] == "ninth-bit":
            self.marks.append(len(self.octets))
        if case["break_ns"]:
            self._break()
        for octet in line:
            self._character(octet)
        row["octets"] = len(self.octets) - row["first"]
        row["last_bit_ns"] = self.end = floor(self.now - case["idle_ns"])
        self.rows.append(row)
        if case["silence_ns"]:
            self.now = Fraction(ceil(self.now) + case["silence_ns"])
        if kind == "foreign":
            self.foreign += self.now // case["pitch_ns"] - start // case["pitch_ns"]
