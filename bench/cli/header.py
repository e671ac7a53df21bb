"""`nightbench header`: the C header from which firmware is built."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from bench.cli.options import again, output_option, profile_argument, set_option

if TYPE_CHECKING:
    from bench.cli.options import Session


@click.command(short_help="Write the C header from which firmware is built.")
@profile_argument()
@set_option
@output_option
@click.pass_obj
def header(
    session: Session, /, profile: str, overrides: tuple[str, ...], output: str | None
) -> int:
    """Write the C header from which firmware is built.

    PROFILE is the name of a shipped profile or the path of a .toml file.  The header
    holds its packet format, its check with table and functions, its times and its
    outputs, so that firmware and bench have one source.  C99, and C++.
    """
    from bench import api
    from bench.cli.files import deliver

    session.profile = profile
    loaded = api.load_profile(profile, overrides)
    command = again("header", profile, overrides)
    return deliver(api.header(loaded, command=command), output)
