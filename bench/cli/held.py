"""How commands that only hear or only measure name a link, and how it is held."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bench.link.ports import PortOptions

    Command = Callable[..., Any]


def held_options(command: Command, *, required: bool = True) -> Command:
    """Which link, and how its port is held."""
    options = (
        click.option(
            "--link",
            required=required,
            metavar="NAME",
            help="A port, a URL, loop, pty or pty:PATH.",
        ),
        click.option(
            "--port",
            multiple=True,
            metavar="KEY=VALUE",
            help="How the port is held, rts=off; repeatable.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def held_as(texts: Sequence[str]) -> PortOptions:
    """How a port is held.

    Raises:
        UsageError: If that is not said in words that mean something.
    """
    from bench.link.ports import PortOptions

    words = {}
    for text in texts:
        key, equals, value = text.partition("=")
        if not equals:
            fault = Fault("not a setting of a link", text, "KEY=VALUE", "--port")
            raise UsageError(fault)
        words[key.strip()] = value.strip()
    return PortOptions.of(words)


def held_words(link: str, texts: Sequence[str]) -> list[str]:
    """The same as words of a command."""
    return ["--link", link, *(word for text in texts for word in ("--port", text))]
