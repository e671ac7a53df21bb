"""What a node's good traffic looks like, as the kernels take it.

`Ground` is everything about one node of a profile that attacks and oracles need: its
packet format, how long it takes to come to rest, after how many characters its receiver
is itself again whatever came before.  All of it follows from the profile.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.base.errors import Fault, ProfileError, UsageError
from bench.base.grid import NS_PER_S
from bench.node.spec import node_specs
from bench.wire.format import Delimiter, Format, Stuffing

if TYPE_CHECKING:
    from bench.node.spec import NodeSpec
    from bench.profile.model import Profile

__all__ = ["Ground", "ground_of", "plan_of"]

_BEGINS_ANYWAY = (Delimiter.BREAK, Delimiter.NINTH)
_PARITY = {"none": 0, "even": 1, "odd": 2, "mark": 3, "space": 4}

_GIANT = 8
"""Octets by which the longest packet that is sent passes the longest allowed."""

_NOISE = 512
"""Random octets in one place at most."""

_COPIES = 5
"""Packets that one piece sends at most."""


@dataclass(frozen=True, slots=True)
class Ground:
    """One node of a profile under attack.

    Attributes:
        profile: The profile.
        node: The node's index.
        spec: The node as it should be.
        form: The packet format.
        settle_ns: From the end of a packet to the node being done with it.
        quiet_ns: Idle time in which it comes to rest, whatever it had received.
        recover: Characters after which its receiver is itself again; 0 where the quiet
            time, or the packet itself, sees to that.
        waits: Packets that may still be on their way when one comes that must be shown.
        strangers: Addresses that are nobody's on this bus.
        may_lose: Whether a good node may lose characters while it works.
    """

    profile: Profile
    node: int
    spec: NodeSpec
    form: Format
    settle_ns: int
    quiet_ns: int
    recover: int
    waits: int
    strangers: tuple[int, ...]
    may_lose: bool

    @property
    def payload_octets(self) -> int:
        """Octets that a good packet carries."""
        layout = self.form.layout
        return layout.most if self.spec.window is not None else self.spec.payload_octets

    @property
    def packet_octets(self) -> int:
        """Characters of a good packet on the line, stuffed at worst."""
        layout = self.form.layout
        return self.form.longest_stuffed(
            layout.head + self.payload_octets + layout.tail
        )

    @property
    def size_ns(self) -> int:
        """Idle time that ends a packet where nothing else does."""
        if self.form.delimiting.kind != Delimiter.SILENCE:
            return 0
        silence_ns = self.form.delimiting.silence_ns or 0
        return silence_ns + self.spec.uart.character_ns


def ground_of(profile: Profile, node: int = 0) -> Ground:
    """One node of a profile.

    Raises:
        ProfileError: If the model does not simulate it, or if interrupts leave nothing
            of its processor.
        UsageError: If there is no such node.
    """
    specs = node_specs(profile)
    if not 0 <= node < len(specs):
        expected = f"0 to {len(specs) - 1}"
        raise UsageError(Fault("no such node", str(node), expected, "node"))
    spec = specs[node]
    form = spec.packet
    silence_ns = form.delimiting.silence_ns
    settle_ns = _settle_ns(profile, node, spec)
    buffers = spec.cost.receive_buffers + spec.cost.word_buffers
    pause_ns = form.delimiting.pause_ns or 0
    quiet_ns = buffers * settle_ns + (silence_ns or 0) + pause_ns
    begins = form.delimiting.kind in _BEGINS_ANYWAY
    begins = begins or form.delimiting.leading
    ended = silence_ns is not None or form.delimiting.pause_ns is not None
    recover = 0
    if not (begins or ended):
        recover = form.longest_stuffed(form.layout.longest)
    spare = spec.cost.receive_buffers
    if spec.cost.drop_without_words:
        spare = min(spare, spec.cost.word_buffers)
    return Ground(
        profile,
        node,
        spec,
        form,
        settle_ns,
        quiet_ns + 2 * spec.uart.character_ns,
        recover,
        spare - 1,
        _strangers(profile, form),
        spec.receive.method == "poll",
    )


def _settle_ns(profile: Profile, node: int, spec: NodeSpec) -> int:
    """From a packet's last character to the output being given back, at the longest.

    Work is stretched by what interrupts take of the processor: the receive interrupt
    that a packed line keeps up, and an output bit's.
    """
    cost, uart, output = spec.cost, spec.uart, spec.output
    character_ns = uart.character_ns
    taken = Fraction(0)
    if spec.receive.method != "poll":
        each = 1 if spec.receive.method == "dma" else min(uart.trigger, cost.body_limit)
        many = max(1, spec.receive.ring // 2 if spec.receive.ring else each)
        handler_ns = cost.entry_ns + cost.exit_ns + many * cost.per_character_ns
        taken += Fraction(handler_ns, many * character_ns)
    if output.method == "timer":
        bit_ns = cost.entry_ns + cost.bit_ns + cost.exit_ns
        taken += Fraction(bit_ns * output.clock_hz, NS_PER_S)
    if taken >= Fraction(19, 20):
        what = "interrupts take so much of the processor that it is not sure of any"
        text = f"{float(100 * taken):.0f} %"
        raise ProfileError([Fault(what, text, "less than 95 %", "processor.interrupt")])
    stretch = 1 / (1 - taken)
    work_ns = cost.rearrange_ns + cost.start_output_ns + 2 * cost.per_packet_ns
    work_ns += 2 * (cost.entry_ns + cost.exit_ns + cost.masked_ns)
    work_ns += 8 * cost.per_character_ns
    if spec.receive.method == "poll":
        work_ns += 4 * (spec.receive.pass_ns + cost.per_character_ns)
    burst = profile.node[node].output.burst_s * NS_PER_S
    waits = (spec.receive.ring or uart.fifo) + 4
    settle = 2 * stretch * work_ns + stretch * burst
    settle += max(output.latch_gap_ns, output.kept_gap_ns)
    settle += output.stop_latency_ns * output.lanes + output.lead_ns
    settle += output.clocks * output.stolen_ns + output.transfer_jitter_ns
    settle += (uart.idle_timeout_ns or 0) + waits * character_ns
    return int(settle) + 1


def _strangers(profile: Profile, form: Format) -> tuple[int, ...]:
    """Addresses that no node of the bus answers to."""
    layout = form.layout
    if layout.address is None:
        return ()
    taken = {node.address & layout.mask for node in profile.node}
    wide = [*profile.traffic.foreign.addresses, *range(16, 64), *range(64, 250)]
    free = [
        address
        for address in wide
        if address <= layout.address.most
        and address & layout.mask not in taken
        and address not in layout.broadcast
    ]
    return tuple(dict.fromkeys(free))[:8]


# --- for the kernels ------------------------------------------------------------------


def plan_of(ground: Ground) -> Any:
    """`PLAN` of `bench.kernels.fuzz.records`, shape (1,)."""
    from bench.kernels.fuzz import records

    profile, form, spec = ground.profile, ground.form, ground.spec
    bus, layout, kind = profile.bus, form.layout, form.delimiting.kind
    packet = profile.packet
    begins = kind == Delimiter.BREAK
    giant = max(layout.most, ground.payload_octets) + _GIANT
    wire = form.longest_stuffed(layout.head + giant + layout.tail) + 3 * _NOISE + 64
    values = {
        "num": bus.pitch.num,
        "den": bus.pitch.den,
        "character_ns": spec.uart.character_ns,
        "idle_ns": bus.virtual_idle_ns,
        "delimiter": kind,
        "silence_ns": form.delimiting.silence_ns or 0,
        "break_ns": (packet.break_ns or 0) if begins else 0,
        "mark_ns": (packet.mark_after_break_ns or 0) if begins else 0,
        "address": spec.address,
        "payload": ground.payload_octets,
        "least": layout.least,
        "most": layout.most,
        "marker_octets": len(form.delimiting.octets) if kind == Delimiter.MARKER else 0,
        "size_ns": ground.size_ns,
        "quiet_ns": ground.quiet_ns,
        "recover": ground.recover,
        "pad": packet.pad[0] if packet.pad else -1,
        "closer": _closer(ground),
        "cobs": form.unstuffing.kind == Stuffing.COBS,
        "reflected": layout.check is not None and layout.check.check.refin,
        "on_sync": spec.on_sync,
        "piece_most": giant,
        "case_most": records.PIECES * _COPIES * wire + 2 * ground.recover,
        "bit_num": Fraction(NS_PER_S, bus.baud).numerator,
        "bit_den": Fraction(NS_PER_S, bus.baud).denominator,
        "data_bits": bus.data_bits,
        "parity": _PARITY[bus.parity],
        "stop_halves": round(2 * bus.stop_bits),
    }
    plan = np.zeros(1, records.PLAN)
    for name in records.PLAN.names or ():
        plan[name] = values[name]
    return plan


def wire_room(ground: Ground) -> int:
    """Octets of the largest piece, with all that may be around it."""
    layout = ground.form.layout
    giant = max(layout.most, ground.payload_octets) + _GIANT
    size = layout.head + giant + layout.tail
    return 2 * size + 3 * _NOISE + layout.head + 64


def _closer(ground: Ground) -> int:
    """What begins another packet, and so ends the last one; -1: nothing needs to."""
    if not ground.form.open_ended:
        return -1
    if ground.form.marks_first and ground.strangers:
        return ground.strangers[0] & 0xFF
    return 0
