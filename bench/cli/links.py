"""What commands that stream share: which link, how it is held, what lights may do.

On anything that may reach lights the patterns hold the light guard, and a trial that is
meant to make boards fail says so first; past either, somebody has to say that it is
meant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.options import Duration
from bench.cli.told import say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Self

    from bench.cli.options import Session
    from bench.link.link import Link
    from bench.profile import Profile

    Command = Callable[..., Any]

SIMULATED = "simulated"

ALLOW_FAILING = "--allow-failing"

_LINK_HELP = (
    "What reaches the nodes: simulated, as unless given; loop; pty or pty:PATH, made "
    "by the bench; udp:HOST:PORT; child:COMMAND; a port's name; or a URL, socket://… "
    "or rfc2217://…"
)


def link_options(command: Command) -> Command:
    """The options about the link."""
    options = (
        click.option(
            "--link",
            metavar="NAME",
            default=SIMULATED,
            help=_LINK_HELP,
            show_default=False,
        ),
        click.option(
            "--lead",
            "lead_ns",
            type=Duration(),
            metavar="TIME",
            help="How far ahead of their time characters are handed over; 20 ms.",
        ),
        click.option(
            "--reconnect",
            "reconnect_ns",
            type=Duration(),
            metavar="TIME",
            help="Wait so long for a lost link to come back; the trial is void then.",
        ),
        click.option(
            "--realtime", is_flag=True, help="Real-time priority, where it is allowed."
        ),
        click.option(
            "--measured-baud",
            type=float,
            metavar="BAUD",
            help="The adapter's bit rate as it was measured.",
        ),
        click.option(
            "--port",
            multiple=True,
            metavar="KEY=VALUE",
            help="How a port is held: dtr, rts, rs485, break, away; repeatable.",
        ),
        click.option(
            "--allow-bright",
            is_flag=True,
            help="On real lights: let patterns be brighter than light.cap.",
        ),
        click.option(
            "--allow-flashing",
            is_flag=True,
            help="On real lights: let the field flash more than three times a second.",
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


failing_option = click.option(
    ALLOW_FAILING,
    "allow_failing",
    is_flag=True,
    help="On real lights: this trial is meant to make boards fail.",
)


@dataclass(frozen=True)
class LinkChoice:
    """What the options about the link said.

    Attributes:
        link: The link's name.
        lead_ns: How far ahead, or None.
        reconnect_ns: How long a lost link is waited for, or None.
        realtime: Whether real-time priority is asked for.
        measured_baud: The adapter's measured bit rate, or None.
        port: `KEY=VALUE` words of a port.
        allow_bright: Whether patterns may pass the cap.
        allow_flashing: Whether the field may flash.
    """

    link: str
    lead_ns: int | None
    reconnect_ns: int | None
    realtime: bool
    measured_baud: float | None
    port: tuple[str, ...]
    allow_bright: bool
    allow_flashing: bool

    @classmethod
    def taken(cls, options: dict[str, Any]) -> Self:
        """Take what `link_options` added out of a command's options."""
        return cls(**{name: options.pop(name) for name in cls.__dataclass_fields__})

    @property
    def is_simulated(self) -> bool:
        """Whether no link is to be opened."""
        return self.link == SIMULATED

    @property
    def allowed(self) -> tuple[str, ...]:
        """Flags past the light guard."""
        from bench.traffic.light import ALLOW_BRIGHT, ALLOW_FLASHING

        said = (
            (self.allow_bright, ALLOW_BRIGHT),
            (self.allow_flashing, ALLOW_FLASHING),
        )
        return tuple(flag for given, flag in said if given)

    def words(self) -> list[str]:
        """The words of a command that asks for the same."""
        from bench.report.summary import typed

        words = [] if self.is_simulated else ["--link", self.link]
        for name, ns in (("--lead", self.lead_ns), ("--reconnect", self.reconnect_ns)):
            if ns is not None:
                words += [name, typed(ns)]
        if self.realtime:
            words.append("--realtime")
        if self.measured_baud is not None:
            words += ["--measured-baud", str(self.measured_baud)]
        for text in self.port:
            words += ["--port", text]
        return [*words, *self.allowed]

    def open(self, profile: Profile, session: Session, *, seed: int = 0) -> Link | None:
        """The link, opened; None for the simulated nodes.

        Raises:
            UsageError: If its name or an option means nothing.
            LinkError: If it cannot be had.
        """
        if self.is_simulated:
            self._refuse_strays()
            return None
        from bench.trial.links import LinkOptions, open_link

        given: dict[str, Any] = {
            "lead_ns": self.lead_ns,
            "reopen_ns": self.reconnect_ns,
            "measured_baud": self.measured_baud,
        }
        options = LinkOptions(
            realtime=self.realtime,
            port=_pairs(self.port),
            stop=session.stop,
            **{name: value for name, value in given.items() if value is not None},
        )
        return open_link(self.link, profile, seed=seed, options=options)

    def caution(self) -> None:
        """Tell what people have to know before light is made."""
        from bench.trial.links import reaches_lights

        if not reaches_lights(self.link):
            return
        from bench.traffic.light import CAUTIONS

        for about in ("flashes", "people", "public"):
            say(CAUTIONS[about])

    def refuse_failing(self, *, allowed: bool) -> None:
        """Refuse a trial that is meant to make boards fail, unless somebody said so.

        Raises:
            UsageError: If lights may be at the far end, and nobody did.
        """
        from bench.traffic.light import CAUTIONS
        from bench.trial.links import reaches_lights

        if not reaches_lights(self.link):
            return
        if not allowed:
            what = "this trial is meant to make boards fail, and lights may be on them"
            mend = f"{CAUTIONS['load']} Then {ALLOW_FAILING}"
            raise UsageError(Fault(what, self.link, where="--link", mend=mend))
        say(CAUTIONS["load"])

    def _refuse_strays(self) -> None:
        """Options of a link that there is none for."""
        strays = {
            "--lead": self.lead_ns,
            "--reconnect": self.reconnect_ns,
            "--realtime": self.realtime,
            "--measured-baud": self.measured_baud,
            "--port": self.port,
        }
        for name, value in strays.items():
            if value:
                fault = Fault("nothing to hold on simulated nodes", name, mend="--link")
                raise UsageError(fault)


def told_of(link: Link) -> dict[str, Any]:
    """What a link's transport is, for the facts of a run."""
    transport = getattr(link, "transport", None)
    return {} if transport is None else {"transport": dict(transport.told().facts)}


def say_where(link: Link) -> None:
    """Say where the other end of a pty is, for somebody has to open it."""
    path = told_of(link).get("transport", {}).get("path")
    if link.name.startswith("pty") and path:
        say(f"the other end of the pty is {path}")


def _pairs(words: tuple[str, ...]) -> Mapping[str, str]:
    """`KEY=VALUE` words."""
    pairs = {}
    for text in words:
        key, equals, value = text.partition("=")
        if not equals or not key or not value:
            raise UsageError(
                Fault("not an option of a port", text, "KEY=VALUE", "--port")
            )
        pairs[key] = value
    return pairs
