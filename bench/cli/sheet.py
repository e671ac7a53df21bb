"""`nightbench sheet`: the printable packet and timing sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import click

from bench.cli.options import again, output_option, profile_argument, set_option

if TYPE_CHECKING:
    from bench.cli.options import Session

_HTML = (".html", ".htm")
"""Endings of a file that choose HTML."""


@click.command(short_help="Write the printable packet and timing sheet.")
@profile_argument()
@set_option
@output_option
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "html"]),
    help="text: 80 columns; html: one page that needs nothing else. By the file's "
    "ending unless stated.",
)
@click.pass_obj
def sheet(
    session: Session,
    /,
    profile: str,
    overrides: tuple[str, ...],
    output: str | None,
    form: Literal["text", "html"] | None,
) -> int:
    """Write the printable packet and timing sheet.

    PROFILE is the name of a shipped profile or the path of a .toml file.  The sheet is
    what somebody needs in ten years with nothing else at hand: bus, packet, check,
    times, lanes and channels, and the profile itself.
    """
    from bench import api
    from bench.cli.files import deliver

    session.profile = profile
    loaded = api.load_profile(profile, overrides)
    if form is None:
        form = "html" if output and output.lower().endswith(_HTML) else "text"
    options = () if form == "text" else ("--format", form)
    command = again("sheet", profile, overrides, options)
    return deliver(api.sheet(loaded, form, command=command), output)
