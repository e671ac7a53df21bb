"""A recording of a bus as what a stream puts on the line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, UsageError
from bench.cli.told import say

if TYPE_CHECKING:
    from bench.profile import Profile
    from bench.trial.source import Source

_BEHIND_NS = 1_000_000
"""Characters that come later than that against the recording are worth a word."""


def refuse_beside_recorded(given: Any) -> None:
    """Refuse what cannot stand beside a recording that is played back.

    Args:
        given: The options of a stream.

    Raises:
        UsageError: Naming the option.
    """
    for name in ("packets", "line", "play"):
        if getattr(given, name) is not None:
            what = "a recording is played as it was heard"
            raise UsageError(Fault(what, f"--{name}", "--for TIME alone", "--recorded"))
    if given.profile is None:
        fault = Fault("missing argument", "PROFILE", mend="the one of the recording")
        raise UsageError(fault)


def played_from(
    name: str, profile: Profile, duration_ns: int | None
) -> tuple[Source, dict[str, Any]]:
    """The source, and what is known of the recording.

    Raises:
        UsageError: If it cannot be read, is none, is empty, or is of another line.
    """
    from bench.api_listen import played_back
    from bench.base.units import format_ns

    source, facts = played_back(profile, name, duration_ns)
    if not facts["characters"]:
        raise UsageError(Fault("nothing was recorded", name, where="--recorded"))
    if torn := facts["torn"]:
        say(
            f"{name} ends at octet {torn['offset']} with {torn['why']}; all before "
            "it is played"
        )
    if facts["behind_ns"] > _BEHIND_NS:
        say(
            f"characters come up to {format_ns(facts['behind_ns'], 2)} later than "
            "they were heard: this line has no room for them before"
        )
    return source, facts
