"""The commands of a drive, and how they are typed.

    set PATH=VALUE         a value of the profile; several, parted by " ; "
    up WHAT, down WHAT     the next value of a control
    hold, go               nothing but idle or fill, and on again
    packet, frame          one of them, then hold
    bad KIND               one malformed packet on purpose
    trigger [GAP]          a quiet gap, and the next packet after it
    mark TEXT              a note in the ledger
    quit                   the end

`read` and `written` are each other's inverse.  Whether a command can be obeyed is not
their business.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches

from bench.base.errors import Fault, UsageError
from bench.base.units import DURATION, parse_duration, shown

CONTROLS = {
    "nodes": "foreign nodes",
    "share": "foreign share",
    "length": "foreign payload",
    "rate": "frame rate",
    "pattern": "pattern",
    "pacing": "pacing",
    "baud": "baud",
}
"""What can be turned, and what it is called."""

BAD = {
    "check": "its check is wrong",
    "short": "it ends in its middle",
    "length": "its length field says one octet too many",
    "address": "its address is one bit off a node's",
}
"""Kinds of malformed packets."""

LONGEST_NOTE = 200
"""Signs of a note: more belong into a lab book."""

_BETWEEN = " ; "


@dataclass(frozen=True, slots=True)
class Set:
    """Set values of the profile: pairs of a dotted path and a value, as typed."""

    values: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Turn:
    """Turn a control of `CONTROLS` to its next value up or down."""

    control: str
    up: bool


@dataclass(frozen=True, slots=True)
class Hold:
    """Send nothing but idle or fill."""


@dataclass(frozen=True, slots=True)
class Go:
    """Go on after a hold."""


@dataclass(frozen=True, slots=True)
class One:
    """Send one own packet, or what is left of one frame, and hold."""

    frame: bool


@dataclass(frozen=True, slots=True)
class Bad:
    """Send one malformed packet, of a kind of `BAD`."""

    kind: str


@dataclass(frozen=True, slots=True)
class Trigger:
    """Keep quiet for at least so long, then send the next packet; None: as usual."""

    gap_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Note:
    """Put a text into the ledger."""

    text: str


@dataclass(frozen=True, slots=True)
class Quit:
    """End the drive."""


Command = Set | Turn | Hold | Go | One | Bad | Trigger | Note | Quit

PLAIN: dict[str, Command] = {
    "hold": Hold(),
    "go": Go(),
    "packet": One(frame=False),
    "frame": One(frame=True),
    "quit": Quit(),
}
"""Commands of one word."""

_WORDS = ("set", "up", "down", "bad", "trigger", "mark", *PLAIN)


def read(text: str, where: str = "") -> Command:
    """The command that a line says.

    Args:
        text: The line.
        where: Where it stands, for a fault.

    Raises:
        UsageError: If it says none.
    """
    word, _, rest = text.strip().partition(" ")
    rest = rest.strip()
    if word in PLAIN and not rest:
        return PLAIN[word]
    if word == "set":
        return Set(_values(rest, where))
    if word in ("up", "down"):
        return Turn(
            _one_of(CONTROLS, rest, f"nothing to turn {word}", where), word == "up"
        )
    if word == "bad":
        return Bad(_one_of(BAD, rest, "no such malformed packet", where))
    if word == "trigger":
        return Trigger(_gap(rest, where) if rest else None)
    if word == "mark":
        return Note(_note(rest, where))
    if word in PLAIN:
        raise UsageError(Fault(f"nothing follows {word}", shown(rest), where=where))
    near = get_close_matches(word, _WORDS, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    expected = ", ".join(_WORDS)
    raise UsageError(
        Fault("no such command", shown(text.strip()), expected, where, mend)
    )


def written(command: Command) -> str:
    """A command as it is typed."""
    match command:
        case Set(values):
            return "set " + _BETWEEN.join(f"{path}={value}" for path, value in values)
        case Turn(control, up):
            return f"{'up' if up else 'down'} {control}"
        case Bad(kind):
            return f"bad {kind}"
        case Trigger(gap_ns):
            return "trigger" if gap_ns is None else f"trigger {DURATION.text(gap_ns)}"
        case Note(text):
            return f"mark {text}"
    return next(word for word, plain in PLAIN.items() if plain == command)


def _values(text: str, where: str) -> tuple[tuple[str, str], ...]:
    """Pairs of a path and a value."""
    pairs = []
    for part in text.split(_BETWEEN):
        path, equals, value = part.partition("=")
        path, value = path.strip(), value.strip()
        if not equals or not path or " " in path:
            what = "not a value to set"
            raise UsageError(Fault(what, shown(part), "PATH=VALUE", where))
        pairs.append((path, value))
    return tuple(pairs)


def _one_of(known: dict[str, str], text: str, what: str, where: str) -> str:
    """A word that is known."""
    if text in known:
        return text
    near = get_close_matches(text, known, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    raise UsageError(Fault(what, shown(text), ", ".join(known), where, mend))


def _gap(text: str, where: str) -> int:
    """A length of time."""
    gap_ns = parse_duration(text, where)
    if gap_ns < 1:
        raise UsageError(Fault("no time", shown(text), "more than 0 s", where))
    return gap_ns


def _note(text: str, where: str) -> str:
    """A text for the ledger."""
    if not text or len(text) > LONGEST_NOTE or not text.isprintable():
        expected = f"1 to {LONGEST_NOTE} signs that can be printed"
        raise UsageError(Fault("not a note", shown(text), expected, where))
    return text
