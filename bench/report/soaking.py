"""A night while it passes: how far it is, what became of the packets, how the host is.

On a terminal one block is drawn over in place.  Anywhere else there is a plain line a
minute, and one for everything that happens: a night of them is still read in one go.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.units import format_count, format_ns, format_share
from bench.report.page import WIDTH, Page, glued
from bench.report.terminal import Drawing, percent

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from bench.report.page import Role
    from bench.report.terminal import Out
    from bench.trial.runner import Progress

    Told = Mapping[str, Any]

PLAIN_NS = 60_000_000_000
"""Between two plain lines."""

_LABELS = 11


class SoakUnmoved:
    """Looks on and says nothing."""

    def begun(self, folder: Path) -> None:
        """See `bench.trial.runner.Watcher`."""

    def progress(self, progress: Progress) -> None:
        """See `Watcher`; `show` is told more."""

    def show(self, told: Told) -> None:
        """How the night stands; see `bench.trial.soak.told.snapshot`."""

    def close(self, figures: Told | None) -> None:
        """The night is over; `figures` of its result, or None if it has none."""


class SoakTold(SoakUnmoved):
    """Plain lines."""

    def __init__(self, out: Out) -> None:
        self._out = out
        self._due_ns = PLAIN_NS
        self._events = 0
        self._told = False
        self._waits = ""

    def show(self, told: Told) -> None:
        """See the base class."""
        new = told["happened"] - self._events
        self._events = told["happened"]
        for event in told["events"][-new:] if new > 0 else ():
            self._line(happened(event))
        if told["waits"] != self._waits:
            self._waits = told["waits"]
            self._line(self._waits or "traffic goes on")
        if told["spent_ns"] >= self._due_ns:
            self._due_ns = told["spent_ns"] + PLAIN_NS
            self._standing(told)

    def close(self, figures: Told | None) -> None:
        """See the base class."""
        if figures is None or self._told:
            return
        share = "stop " if figures["signal"] else "100 %"
        packets = counted(figures["packets"])
        line = f"{format_ns(figures['trial_ns'], 3)} on the line; {packets}"
        self._line(f"{share}  {line}")

    def _standing(self, told: Told) -> None:
        self._told = True
        share = "    –" if told["share"] is None else percent(told["share"])
        parts = [passed(told), counted(told["packets"])]
        if bound := bounded(told):
            parts.append(f"loss {bound}")
        parts.append(valid(told))
        self._line(f"{share}  {'; '.join(parts)}")

    def _line(self, text: str) -> None:
        self._out.write(text.replace("\N{NO-BREAK SPACE}", " ") + "\n")
        self._out.flush()


class SoakDrawn(SoakUnmoved):
    """One block that is drawn over in place."""

    def __init__(self, out: Out, keys: str) -> None:
        self._out = out
        self._keys = keys
        self._drawing = Drawing(out)
        self._height = 0

    def begun(self, folder: Path) -> None:
        """See the base class; what draws is loaded before there is traffic."""
        page = Page(_LABELS, self._out.width)
        page.whole("soaking", str(folder))
        self._drawing.draw(page.lines)

    def show(self, told: Told) -> None:
        """See the base class."""
        page = standing_page(told, self._keys, self._out.width)
        # A block that keeps its height does not jump about.
        self._height = max(self._height, len(page.lines))
        blank = [()] * (self._height - len(page.lines))
        self._drawing.draw([*page.lines, *blank])

    def close(self, figures: Told | None) -> None:  # noqa: ARG002
        """Take the block away."""
        self._drawing.close()


def soak_looker(out: Out, keys: str = "") -> SoakUnmoved:
    """Who shows a night on a stream.

    Args:
        out: The stream.
        keys: What keys do, if any are read.
    """
    return SoakDrawn(out, keys) if out.is_terminal else SoakTold(out)


# --- words ----------------------------------------------------------------------------


def standing_page(told: Told, keys: str = "", width: int = WIDTH) -> Page:
    """The block.

    Args:
        told: How the night stands.
        keys: What keys do.
        width: Columns to write for.
    """
    page = Page(_LABELS, width)
    share = "" if told["share"] is None else f"{percent(told['share']).strip()}, "
    if told["waits"]:
        page.field("waiting", f"{told['waits']}; {passed(told)}", "open", "open")
    else:
        page.field("soaking", f"{share}{passed(told)}", "good")
    packets = told["packets"]
    page.field("packets", counted(packets), _role(packets))
    if bound := bounded(told):
        page.field("loss", bound)
    if last := told["interval"]:
        page.field("now", _now(told["now"], last))
        if readings := last.get("readings"):
            page.field("read", _read(readings))
        page.field("host", _host(last["health"], told))
    for event in told["events"][-1:]:
        page.field("happened", happened(event), "open")
    if keys:
        page.field("keys", keys, "faint")
    return page


def passed(told: Told) -> str:
    """How much of the night is over, and how much is left."""
    parts = [f"{_ns(told['trial_ns'])} on the line"]
    if told["left_ns"] is not None:
        parts.append(f"{_ns(max(0, told['left_ns']))} left")
    spent_ns = told["spent_ns"]
    if spent_ns > 0 and told["sent_ns"] > 2 * spent_ns:
        parts.append(f"{told['sent_ns'] / spent_ns:.3g}{glued(' × real time')}")
    return ", ".join(parts)


def counted(packets: Told) -> str:
    """What became of the packets so far."""
    if not packets.get("offered"):
        return "none yet"
    offered = format_count(packets["offered"])
    if packets["shown"] is None:
        return f"{offered} offered, shown: not observable"
    text = f"{format_count(packets['shown'])} of {offered} packets shown"
    for word in ("lost", "corrupt", "stray", "late"):
        if packets.get(word):
            text += f", {format_count(packets[word])} {word}"
    return text + ("" if packets["lost"] else ", none lost")


def bounded(told: Told) -> str:
    """What bounds the loss by now, and what is still wanted."""
    if told["upper"] is None:
        return ""
    text = f"below {told['upper']:.2g} at {100 * told['confidence']:g} % confidence"
    if wanted := told["wanted"]:
        packets = told["packets"]
        text += f", wanted {wanted['rate']:g} at {100 * wanted['confidence']:g} %"
        left = wanted["packets"] - packets["offered"]
        if not packets["lost"] and left > 0:
            text += f": {format_count(left)} more packets"
    return text


def valid(told: Told) -> str:
    """How many intervals say something."""
    of = f"{format_count(told['intervals'])} intervals"
    if told["valid"] == told["intervals"]:
        return f"{of} valid"
    return f"{told['valid']} of {of} valid"


def happened(event: Told) -> str:
    """One event."""
    at = event.get("at") or ""
    return f"{at[11:]} {event['text']}".strip()


def _role(packets: Told) -> Role:
    wrong = any(packets.get(word) for word in ("lost", "corrupt", "stray", "late"))
    return "bad" if wrong else ""


def _now(now: Told, last: Told) -> str:
    """The last interval."""
    parts = []
    if now["packets_per_s"] is not None:
        parts.append(f"{now['packets_per_s']:.4g}{glued(' packets/s')}")
    if now["load"] is not None:
        parts.append(f"load {glued(format_share(now['load'], 3))}")
    if latency := last.get("latency_ns"):
        middle, late = _ns(latency["p50"]), _ns(latency["p99"])
        parts.append(f"to shown {middle}, 99 of 100 within {late}")
    return ", ".join(parts)


def _host(health: Told, told: Told) -> str:
    """The health of the bench in the last interval."""
    parts = [valid(told)]
    if health["void"]:
        parts.append(f"the last one void: {health['void'][0]}")
    elif health["queue_dry"] == 0:
        parts.append("the queue did not run dry")
    if (late_ns := health["lateness_p99_ns"]) is not None:
        parts.append(f"writes late by {_ns(late_ns)}")
    if (share := health["processor_share"]) is not None:
        parts.append(f"processors {glued(format_share(share, 2))} busy")
    if (free := health["memory_free_share"]) is not None:
        parts.append(f"memory {glued(format_share(free, 2))} free")
    return ", ".join(parts)


def _read(readings: Told) -> str:
    """What the user's command read."""
    return ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in readings.items()
    )


def _ns(ns: int) -> str:
    return glued(format_ns(ns, 3))
