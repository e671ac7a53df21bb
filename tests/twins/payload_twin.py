"""Plain twin of the payload patterns: each octet from the pattern's definition."""

from __future__ import annotations

from itertools import islice

from . import lit_twin, philox_twin, prbs_twin

_REPLACED = {"slip": (0xC0, 0xDB), "hdlc": (0x7E, 0x7D)}


class Payloads:
    """The payloads of one trial; only the pseudo-random sequences are carried.

    Args:
        case: `pattern`, `framing`, `marker`, `sizes` (one a node), `recording` (flat);
            for a pattern by channel `outputs` and `names`, one a node, and `rate`.
        key: Philox key of the stream "payload".
    """

    def __init__(self, case: dict, key: tuple[int, int]) -> None:
        self.case = case
        self.key = key
        self.nodes = len(case["sizes"])
        if case["pattern"] in prbs_twin.SEQUENCES:
            self.sequences = [
                prbs_twin.octets(case["pattern"]) for _ in range(self.nodes + 1)
            ]
        if "outputs" in case:
            nodes = case["outputs"], case["names"]
            self.lights = lit_twin.Lights(case["pattern"], *nodes, case["rate"])

    def payload(self, frame: int, place: int, octets: int) -> bytes:
        """The payload for one node; place = nodes is the broadcast packet."""
        pattern = self.case["pattern"]
        broadcast = place == self.nodes
        if "outputs" in self.case:
            return self.lights.payload(frame, 0 if broadcast else place)[:octets]
        number = -1 - frame if broadcast else frame * self.nodes + place
        if pattern == "random":
            return philox_twin.fill(self.key, number, octets)
        if pattern == "worst-stuffing":
            return self._worst(frame, place, octets, number)
        if pattern == "play":
            return self._play(frame, place, octets)
        if pattern.startswith("prbs"):
            return bytes(islice(self.sequences[place], octets))
        if pattern == "walking-one":
            step = 4 * self.case["sizes"][0] if broadcast else place
            whole = 1 << ((frame + step) % (8 * octets)) if octets else 0
            return whole.to_bytes(octets, "little")
        start = self._ramp_start(frame, place, 256)
        rules = {
            "ramp": lambda i: (start + i) % 256,
            "checkerboard": lambda i: (0x55, 0xAA)[(frame + place + i) % 2],
        }
        if pattern.startswith("constant-"):
            return bytes([int(pattern[-2:], 16)]) * octets
        return bytes(rules[pattern](i) for i in range(octets))

    def _ramp_start(self, frame: int, place: int, turn: int) -> int:
        """A broadcast packet begins half a turn on."""
        step = turn // 2 if place == self.nodes else place
        return frame * self.nodes + step

    def _worst(self, frame: int, place: int, octets: int, number: int) -> bytes:
        framing = self.case["framing"]
        if framing == "cobs":
            start = self._ramp_start(frame, place, 255)
            return bytes((start + i) % 255 + 1 for i in range(octets))
        if framing in _REPLACED:
            replaced = _REPLACED[framing]
            return bytes(replaced[(number >> (i % 32)) & 1] for i in range(octets))
        if framing == "marker":
            unit = b""
            while len(unit) < octets:
                turn = len(unit) // (len(self.case["marker"]) + 1)
                low = (number >> (8 * (turn % 4))) & 255
                unit += self.case["marker"] + bytes([low])
            return unit[:octets]
        start = self._ramp_start(frame, place, 256)
        return bytes((start + i) % 256 for i in range(octets))

    def _play(self, frame: int, place: int, octets: int) -> bytes:
        recording, sizes = self.case["recording"], self.case["sizes"]
        start = frame * sum(sizes)
        if place < self.nodes:
            start += sum(sizes[:place])
        return bytes(recording[(start + i) % len(recording)] for i in range(octets))
