"""A node's specification as the kernel's records."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.grid import NS_PER_S
from bench.base.seeds import stream_key
from bench.kernels import checks
from bench.kernels.node import records
from bench.kernels.node.words import words_of
from bench.wire.format import Delimiter, Stuffing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from bench.node.spec import NodeSpec
    from bench.wire.format import Format, Number

_OVERRUN = {
    "drop": records.DROP,
    "hold": records.HOLD,
    "overwrite": records.OVERWRITE,
    "stall": records.STALL,
}
_STOP = {
    "dma": records.BY_DMA,
    "interrupt": records.BY_INTERRUPT,
    "count": records.BY_COUNT,
}
_RECEIVE = {
    "interrupt": records.BY_HANDLER,
    "poll": records.BY_POLL,
    "dma": records.BY_RING,
}
_METHOD = {
    "dma": records.DMA,
    "timer": records.TIMER,
    "port": records.PORT,
    "uart": records.UART,
}
_INTERRUPT = {
    "receive": records.RECEIVE,
    "complete": records.COMPLETED,
    "bit": records.BIT,
}
_RESYNC = {
    "forward": records.FORWARD,
    "timeout": records.TIMEOUT,
    "rescan": records.RESCAN,
}


def spec_record(spec: NodeSpec, seed: int) -> Any:
    """`SPEC`, shape (1,)."""
    values: dict[str, Any] = {
        "pitch_ns": spec.pitch.num // spec.pitch.den,
        "pitch_rem": spec.pitch.num % spec.pitch.den,
        "den": spec.pitch.den,
        "calm": _is_calm(spec),
        "plain": _is_plain(spec),
        "level": spec.uart.fires == "level",
        "overrun": _OVERRUN[spec.uart.overrun],
        "stop": _STOP[spec.output.stop],
        "resync": _RESYNC[spec.resync],
        "index": spec.index,
        "address": spec.address,
        "payload_octets": spec.payload_octets,
        "receive": _RECEIVE[spec.receive.method],
        "on_sync": spec.on_sync,
        "blackout_ns": spec.blackout_ns or 0,
        "window": -1 if spec.window is None else spec.window,
        "lost_spare": 1 + spec.receive.ring,
    }
    which = ("first", "second", "third")
    for place, interrupt in zip(which, spec.cost.priority, strict=True):
        values[place] = _INTERRUPT[interrupt]
    if spec.receive.method == "dma":
        values |= {"trigger": records.FAR, "overrun": records.LAP}
    values |= _output_values(spec)
    values |= _quirk_values(spec)
    for name, stream in (("key", "stop"), ("transfer", f"transfer {spec.index}")):
        key = np.array(stream_key(seed, stream), np.uint64).view(np.int64)
        values |= {f"{name}0": key[0], f"{name}1": key[1]}
    for part in (spec.uart, spec.receive, spec.cost, spec.output):
        for name in part.__slots__:
            if name not in values and name in (records.SPEC.names or ()):
                values[name] = getattr(part, name) or 0
    values.update(_format_values(spec.packet))
    record = np.zeros(1, records.SPEC)
    for name in records.SPEC.names or ():
        record[name] = values[name]
    return record


def _is_plain(spec: NodeSpec) -> bool:
    """Whether the shortcuts for a receive interrupt know this receiver."""
    if spec.uart.mute:
        return False
    plain = spec.uart.fires == "level" and not spec.uart.restart_on_read
    return spec.receive.method == "dma" or plain


def _output_values(spec: NodeSpec) -> dict[str, Any]:
    """What follows from the output stage."""
    output, uart_lanes = spec.output, spec.output.signal == "uart"
    by_word = output.method in ("dma", "timer") and not uart_lanes
    words = output.clocks * output.word_octets if by_word else spec.payload_octets
    rise_ns = output.rise_permille * 1_000_000 // output.clock_hz
    jitter_ns = output.transfer_jitter_ns
    late = jitter_ns + output.setup_ns >= rise_ns
    late = late or jitter_ns > NS_PER_S // output.clock_hz
    whole = output.clock_hz == output.lane_hz
    # Rounding down may add 2 ns to how late one bit is after another.
    half_ns = NS_PER_S // (2 * output.clock_hz)
    return {
        "method": _METHOD[output.method],
        "uart_lanes": uart_lanes,
        "lead": 0 if uart_lanes else -(-output.lead_ns * output.clock_hz // NS_PER_S),
        "latch_pause_ns": output.latch_pause_ns or 0,
        "loose": output.method == "dma"
        and not uart_lanes
        and (late or spec.quirks.clock_bias != 0),
        "intact": whole and (output.method == "timer" or jitter_ns + 2 <= half_ns),
        "words_octets": words,
    }


def _quirk_values(spec: NodeSpec) -> dict[str, Any]:
    """What is neutral in a node that does everything right."""
    quirks, output = spec.quirks, spec.output
    least, size = quirks.payload_least, output.lane_octets
    return {
        "keeps_error": quirks.keeps_error,
        "buffer_bias": quirks.buffer_bias,
        "payload_least": spec.payload_octets if least is None else least,
        "lane_at": (output.lanes - 1) * size if quirks.lane_turned else 0,
        "lane_stride": -size if quirks.lane_turned else size,
        "words_msb_first": output.msb_first != quirks.bits_turned,
        "clock_bias": quirks.clock_bias,
        "sequence_modulus": quirks.sequence_modulus,
        "sequence_most": quirks.sequence_most,
        "packets_most": quirks.packets_most,
        "errors_most": quirks.errors_most,
        "waiting_most": quirks.waiting_most,
        **_place("sequence", spec.packet.layout.sequence),
    }


def dark_words(spec: NodeSpec, record: Any) -> NDArray[np.uint8]:
    """The port words of darkness."""
    words = np.zeros(record[0]["words_octets"], np.uint8)
    if spec.dark:
        words_of(record, np.frombuffer(spec.dark, np.uint8).copy(), words)
    return words


def _is_calm(spec: NodeSpec) -> bool:
    """Whether nothing can happen between the characters of an unbroken run."""
    longest_ns = spec.pitch.at(1) + 1
    gap_ns = longest_ns - spec.uart.character_ns
    delimiting = spec.packet.delimiting
    pause_ns = min(
        limit or int(records.FAR)
        for limit in (delimiting.pause_ns, delimiting.silence_ns)
    )
    timeout_ns = spec.uart.idle_timeout_ns or int(records.FAR)
    return gap_ns < pause_ns and longest_ns < timeout_ns


def _format_values(packet: Format) -> dict[str, Any]:
    """The numbers of a packet format; a field that is not there has size 0."""
    delimiting, layout = packet.delimiting, packet.layout
    by_octet = delimiting.kind == Delimiter.OCTET
    values: dict[str, Any] = {
        "delimiter": delimiting.kind,
        "delimiter_octet": delimiting.octets[0] if by_octet else 0,
        "marker_first": (delimiting.octets or b"\0")[0],
        "marker_octets": 0 if by_octet else len(delimiting.octets),
        "stuffing": packet.unstuffing.kind,
        "escape": packet.unstuffing.escape,
        "silence_ns": delimiting.silence_ns or 0,
        "pause_ns": delimiting.pause_ns or 0,
        "reject_flaws": delimiting.reject_flaws,
        "head": layout.head,
        "tail": layout.tail,
        "least": layout.least,
        "most": layout.most,
        "sized": layout.sized,
        "mask": layout.mask,
        "length_adds": layout.length_adds,
        "check_start": layout.check.start if layout.check else 0,
        "check_end": layout.check.end if layout.check else 0,
        "longest_raw": packet.longest_raw,
    }
    values |= _place("address", layout.address)
    values |= _place("length", layout.length)
    values |= _place("check", layout.check.field if layout.check else None)
    return values


def _place(name: str, number: Number | None) -> dict[str, Any]:
    if number is None:
        return {f"{name}_at": 0, f"{name}_size": 0, f"{name}_big": 0}
    return {
        f"{name}_at": number.at,
        f"{name}_size": number.size,
        f"{name}_big": number.order == "big",
    }


def check_records(packet: Format) -> tuple[Any, Any]:
    """`CHECK`, shape (1,), and its tables, for a packet format."""
    rule = packet.layout.check
    if rule is None:
        return checks.make_check(checks.NO_CHECK), _tables()
    check = rule.check
    ends = (check.refin, check.refout, check.xorout)
    return (
        checks.make_check(check.kind, check.width, check.init, *ends),
        _tables(max(8, check.width), check.poly, check.refin),
    )


_tables = lru_cache(16)(checks.make_tables)
"""Nobody writes into tables, and nodes of a bus have the same."""


_FAR_AT_FIRST = (
    "last_end_ns",
    "timer_ns",
    "coming_ns",
    "complete_ns",
    "tick_ns",
    "free_ns",
    "dark_due_ns",
)
"""Instants of what is not to come yet."""


_STAYS = np.array(
    [
        name.endswith(("_at", "_room", "_busy_ns"))
        or name in ("bursts", "interrupts", "first_place", "literals", "broadcasts")
        for name in records.NODE.names or ()
    ]
)
"""Which numbers of a node's record a reset leaves as they are: addresses, room, what is
counted."""


def _at_rest(spec: NodeSpec, now_ns: int) -> Any:
    """`NODE`, shape (1,): a node at rest on an idle line."""
    inside = spec.packet.delimiting.kind in (Delimiter.OCTET, Delimiter.SILENCE)
    node = np.zeros(1, records.NODE)
    for name in _FAR_AT_FIRST:
        node[name] = records.FAR
    node["mode"] = records.INSIDE if inside else records.HUNT
    node["start"] = node["last_sequence"] = -1
    # No burst yet: none of its words counts.
    node["begin_ns"] = -records.FAR // 2
    node["need"] = 1
    node["now_ns"] = now_ns
    node["muted"] = spec.uart.mute
    if spec.blackout_ns is not None:
        node["dark_due_ns"] = now_ns + spec.blackout_ns
    return node


_REMEMBERED = (
    "receive",
    "slots",
    "words",
    "word_slots",
    "chain",
    "before",
    "level",
    "level_before",
)
"""Arrays that a node reads before it has written them."""

_GIVEN = np.array(
    [
        name.endswith(("_at", "_room")) or name in ("literals", "broadcasts")
        for name in records.NODE.names or ()
    ]
)
"""Which numbers of a node's record say where its memory is, and how much."""


class Store:
    """The arrays of one node, kept alive, and their addresses in its record."""

    def __init__(self, spec: NodeSpec) -> None:
        """A node at rest on an idle line, with no room for anything yet."""
        self.node = _at_rest(spec, 0)
        self._arrays: dict[str, NDArray[Any]] = {}
        self._put_format(spec.packet)

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self._arrays[name]

    def put(self, name: str, array: NDArray[Any], count: str = "") -> None:
        """Hand an array to the kernel.

        Args:
            name: Its name in the record, without `_at`.
            array: The array; it must be contiguous.
            count: Where in the record its length goes.
        """
        self._arrays[name] = array
        self.node[f"{name}_at"] = array.ctypes.data
        if count:
            self.node[count] = array.shape[0]

    def begin_anew(self, spec: NodeSpec, now_ns: int) -> None:
        """Put the node to rest; what is counted, and the chains, stay as they are."""
        self._put_to_rest(spec, now_ns, _STAYS)

    def renew(self, spec: NodeSpec) -> None:
        """Put the node to rest as if it had never been played; no array is made."""
        self._put_to_rest(spec, 0, _GIVEN)
        for name in _REMEMBERED:
            self._arrays[name].view(np.uint8)[:] = 0

    def _put_to_rest(
        self, spec: NodeSpec, now_ns: int, kept: NDArray[np.bool_]
    ) -> None:
        """Every number of the record as at first, but for those that are kept."""
        numbers, fresh = self.node.view(np.int64), _at_rest(spec, now_ns).view(np.int64)
        fresh[kept] = numbers[kept]
        numbers[:] = fresh

    def make_room(self, name: str, least: int, dtype: np.dtype[Any]) -> None:
        """Let an array hold at least so many rows; what it holds stays."""
        old = self._arrays.get(name, np.zeros(0, dtype))
        if old.shape[0] < least:
            new = np.zeros(least, dtype)
            new[: old.shape[0]] = old
            self.put(name, new, f"{name}_room")

    def _put_format(self, packet: Format) -> None:
        """The parts of a packet format that are arrays."""
        check, tables = check_records(packet)
        literals = [
            (at + k, octet)
            for at, octets in packet.layout.literals
            for k, octet in enumerate(octets)
        ]
        codes = np.full(256, -1, np.int64)
        if packet.unstuffing.kind == Stuffing.ESCAPE:
            for code, octet in packet.unstuffing.pairs:
                codes[code] = octet
        broadcast = np.array(packet.layout.broadcast, np.int64)
        self.put("check", check)
        self.put("tables", tables)
        self.put("literals", np.array(literals, np.int64).reshape(-1, 2), "literals")
        self.put("broadcast", broadcast, "broadcasts")
        self.put("codes", codes)
        self.put("marker", np.array(list(packet.delimiting.octets), np.uint8))
