"""Qualify a rig: quiet, echo, round trips, flow, write calls, one after another.

Bounded in time and octets whatever the link does.  A link that is lost, or somebody who
says stop, ends it; what was measured by then is told.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from bench.base.errors import LinkError
from bench.trial.qualify.rules import QualifyRules
from bench.trial.qualify.steps import flow, look_for_echo, round_trips, write_calls
from bench.trial.qualify.wire import Stopped, Wire
from bench.trial.qualify.words import baud_of, resolves, verdict_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from bench.base.clock import Clock
    from bench.link.transport import Transport
    from bench.profile.model import Bus

_RULES = QualifyRules()


@dataclass(frozen=True, slots=True)
class Rig:
    """What is qualified.

    Attributes:
        out: What is written to.
        ear: What hears the line; the same, or a second port.
        bus: Baud and character.
    """

    out: Transport
    ear: Transport
    bus: Bus


@dataclass(frozen=True, slots=True)
class Outcome:
    """How it ended.

    Attributes:
        verdict: "PASS", "FAIL" or "VOID".
        reason: One sentence.
        figures: All measures, as strict JSON; None for a step that was not taken.
        says: What this rig can and cannot resolve.
        signal: The signal that ended it, or None.
        lost: Why the link was lost, or None.
    """

    verdict: str
    reason: str
    figures: dict[str, Any]
    says: tuple[str, ...]
    signal: int | None
    lost: LinkError | None


def qualify(
    rig: Rig,
    clock: Clock,
    stop: Callable[[], int | None],
    step: Callable[[str], object],
    rules: QualifyRules = _RULES,
) -> Outcome:
    """Measure a rig without nodes.

    Args:
        rig: The rig.
        clock: The bench's clock.
        stop: Asked often: the number of a signal that came, or None.
        step: Told what is measured next, in a few words.
        rules: The bounds.

    Raises:
        LinkError: If the line is not quiet.
    """
    wire = Wire(rig.out, rig.ear, clock, stop)
    figures: dict[str, Any] = dict.fromkeys(
        ("echo", "round_trips", "flow", "write_calls")
    )
    lost = None
    try:
        step("is the line quiet")
        wire.refuse_noise(rules.listen_ns)
        _measure(wire, rules, rig.bus, figures, step)
    except Stopped:
        pass
    except LinkError as error:
        if figures["echo"] is None:
            raise
        lost = error
    figures["can"] = asdict(rig.out.can)
    figures["told"] = _told(rig.out)
    if figures["echo"] is None:
        verdict, reason = "VOID", "stopped before anything was measured"
    else:
        bits = float(rig.bus.character.step * rig.bus.baud / 10**9)
        heard = figures["flow"] or {}
        figures["baud"] = baud_of(heard, bits, rig.out.can)
        verdict, reason = verdict_of(figures)
    if lost is not None:
        verdict, reason = "FAIL", str(lost.fault)
    says = resolves(figures, rig.bus.baud) if figures["echo"] else []
    return Outcome(verdict, reason, figures, tuple(says), stop(), lost)


def _measure(
    wire: Wire,
    rules: QualifyRules,
    bus: Bus,
    figures: dict[str, Any],
    step: Callable[[str], object],
) -> None:
    """Take every step that makes sense."""
    step("does it come back")
    figures["echo"] = look_for_echo(wire, rules)
    echo = bool(figures["echo"]["comes_back"])
    if echo:
        step("how long does it take")
        figures["round_trips"] = round_trips(wire, rules)
    if echo or not figures["echo"]["heard"]:
        step("how fast")
        figures["flow"] = flow(wire, rules, bus.character, echo=echo)
    step("how evenly")
    figures["write_calls"] = write_calls(wire, rules)


def _told(transport: Transport) -> dict[str, Any]:
    """What the transport knows of itself."""
    try:
        told = transport.told()
    except LinkError:
        return {"facts": {}, "counts": {}, "notes": []}
    return {
        "facts": dict(told.facts),
        "counts": dict(told.counts),
        "notes": list(told.notes),
    }
