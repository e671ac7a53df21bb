"""What `sweep` and `edge` share: options about how points are tried."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.links import failing_option, link_options
from bench.cli.options import Whole

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.cli.links import LinkChoice
    from bench.cli.options import Session
    from bench.link.link import Link
    from bench.profile import Profile
    from bench.trial.sweep.point import MakeLink

    Command = Callable[..., Any]


def trial_options(command: Command) -> Command:
    """The options about how points are tried."""
    options = (
        click.option(
            "--jobs",
            type=Whole(1, 1024),
            metavar="N",
            help="Trials side by side on simulated nodes; as many as there are cores.",
        ),
        click.option(
            "--before",
            metavar="COMMAND",
            help="Run before each point, {output.clock} standing for its value, which "
            "is in NIGHTBENCH_OUTPUT_CLOCK too.",
        ),
        click.option(
            "--before-packet",
            metavar="HEX",
            help="Octets sent before each point, at the profile's own baud.",
        ),
    )
    command = failing_option(link_options(command))
    for option in reversed(options):
        command = option(command)
    return command


def octets_of(text: str | None) -> bytes:
    """The octets of `--before-packet`.

    Raises:
        UsageError: If it has no pairs of hexadecimal digits.
    """
    if text is None:
        return b""
    try:
        octets = bytes.fromhex(text)
    except ValueError:
        octets = b""
    if not octets:
        expected = "pairs of hexadecimal digits such as 'A5 5A 01'"
        raise UsageError(Fault("not octets", text, expected, "--before-packet"))
    return octets


def make_link_of(
    way: LinkChoice, session: Session, *, allowed: bool, quiet: bool
) -> MakeLink | None:
    """What makes a link to boards; None for simulated nodes.

    Args:
        way: What the options about the link said.
        session: Of this call.
        allowed: Whether somebody said that boards may fail.
        quiet: Whether nothing is to be told.

    Raises:
        UsageError: If lights may be there and nobody did.
    """
    if way.is_simulated:
        return None
    way.refuse_failing(allowed=allowed)
    if not quiet:
        way.caution()

    def make(profile: Profile, seed: int) -> Link:
        link = way.open(profile, session, seed=seed)
        assert link is not None
        return link

    return make


def words_of(given: Sequence[tuple[str, Any]]) -> list[str]:
    """Options and their values as words of a command; those not given are left out."""
    words: list[str] = []
    for option, value in given:
        if value is None or value is False:
            continue
        words += [option] if value is True else [option, str(value)]
    return words
