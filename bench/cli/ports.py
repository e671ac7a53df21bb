"""`nightbench ports`: the serial ports that are plugged in."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from bench.cli.options import profile_argument, set_option
from bench.cli.told import settled

if TYPE_CHECKING:
    from bench.cli.options import Session
    from bench.profile.model import Profile

    RateType = click.ParamType[int]
else:
    RateType = click.ParamType  # which older releases cannot subscript


class BaudRate(RateType):
    """A baud rate with its unit."""

    name = "baud"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> int:
        """See the base class."""
        del ctx
        from bench.base.units import BAUD

        where = param.opts[0] if param else ""
        return value if isinstance(value, int) else int(BAUD.parse(value, where))


@click.command(short_help="List serial ports, and the rates that they make.")
@profile_argument(required=False)
@set_option
@click.option(
    "--baud",
    "bauds",
    type=BaudRate(),
    metavar="RATE",
    multiple=True,
    help="How near each port comes to it, '4 Mbaud'; repeatable. With PROFILE those "
    "of its bus and its UART lanes are added.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.pass_obj
def ports(
    session: Session,
    /,
    profile: str | None,
    overrides: tuple[str, ...],
    bauds: tuple[int, ...],
    *,
    as_json: bool,
) -> int:
    """List the serial ports that are plugged in.

    For each port: a name that stays, its driver, which bit rates it makes and how far
    off they are, and how long it keeps octets back.
    """
    from bench.link.adapters.plugged import plugged_in
    from bench.report.ports import ports_dict, ports_page
    from bench.report.terminal import Out, show

    wanted = list(bauds)
    if profile is not None:
        from bench.api import load_profile

        session.profile = profile
        wanted += _rates_of(load_profile(profile, overrides))
    wanted = list(dict.fromkeys(wanted))
    found = plugged_in()
    out = Out(sys.stdout)
    if as_json:
        out.write(json.dumps({"ports": ports_dict(found, wanted)}) + "\n")
    else:
        show(ports_page(found, wanted, out.width), out)
    return settled(out, 0)


def _rates_of(profile: Profile) -> list[int]:
    """The bus's rate, and those of UART lanes that somebody may want to read."""
    lanes = [
        node.output.clock_hz for node in profile.node if node.output.signal == "uart"
    ]
    return [profile.bus.baud, *lanes]
