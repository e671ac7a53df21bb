"""`nightbench sheet`: the printable packet and timing sheet."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from bench.base.errors import Fault, UsageError
from bench.cli.options import again, output_option, profile_argument, set_option

if TYPE_CHECKING:
    from bench.cli.options import Session

_FORMS: dict[str, Literal["text", "html"]] = {
    "": "text",
    ".txt": "text",
    ".text": "text",
    ".htm": "html",
    ".html": "html",
}
"""What the ending of a file chooses."""


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
    form = form or _form_of(output or "")
    loaded = api.load_profile(profile, overrides)
    options = () if form == "text" else ("--format", form)
    command = again("sheet", profile, overrides, options)
    return deliver(api.sheet(loaded, form, command=command), output)


def _form_of(file: str) -> Literal["text", "html"]:
    """The form that a file's ending chooses.

    Raises:
        UsageError: If it chooses none.
    """
    ending = Path(file).suffix.lower()
    if ending not in _FORMS:
        expected = ", ".join(known for known in _FORMS if known)
        fault = Fault(
            "no form of that ending", file, expected, "-o", "or state --format"
        )
        raise UsageError(fault)
    return _FORMS[ending]
