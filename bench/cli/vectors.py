"""`nightbench vectors`: golden vectors for a firmware's own unit tests."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bench.base.errors import Fault, UsageError
from bench.cli.options import (
    Whole,
    again,
    output_option,
    profile_argument,
    set_option,
)

if TYPE_CHECKING:
    from bench.cli.options import Session

_ENDINGS = {"": "c", ".h": "c", ".hpp": "c", ".json": "json", ".npy": "npy"}
"""What the ending of a file chooses."""


@click.command(short_help="Write golden vectors: packets in, port words out.")
@profile_argument()
@set_option
@output_option
@click.option(
    "--form",
    type=click.Choice(["c", "json", "npy"]),
    help="c: a header, C99 and C++; json; npy: an array of numpy. By the file's ending "
    "unless stated.",
)
@click.option(
    "--node",
    metavar="NAME",
    help="Whose they are; needed where nodes are of several kinds.",
)
@click.option(
    "--random",
    type=Whole(0, 1000),
    default=4,
    metavar="N",
    help="Random payloads beside those chosen on purpose; 4.",
)
@click.option(
    "--seed",
    type=Whole(0, 2**64 - 1),
    default=0,
    metavar="N",
    help="What the random ones depend on; 0.",
)
@click.pass_obj
def vectors(
    session: Session,
    /,
    profile: str,
    overrides: tuple[str, ...],
    output: str | None,
    form: str | None,
    node: str | None,
    random: int,
    seed: int,
) -> int:
    """Write golden vectors: packets in, port words out.

    PROFILE is the name of a shipped profile or the path of a .toml file.  Each vector
    is a whole packet with the port words that a node has to make of it, or the reason
    why it has to refuse it, so that the loop that rearranges octets can be tested
    without a board.  Payloads are edge cases chosen on purpose, and a few random ones.
    """
    from bench import api
    from bench.api_vectors import vectors as made
    from bench.cli.files import deliver

    session.profile = profile
    form = form or _form_of(output or "")
    if form == "npy" and output in (None, "-"):
        mend = "standard output is for text"
        fault = Fault("an array needs a file", "", "-o FILE", "--form npy", mend)
        raise UsageError(fault)
    loaded = api.load_profile(profile, overrides)
    options = _options(form, node, random, seed)
    command = again("vectors", profile, overrides, options)
    content = made(loaded, form, node=node, seed=seed, random=random, command=command)
    return deliver(content, output)


def _options(form: str, node: str | None, random: int, seed: int) -> list[str]:
    """The options of the command that makes them again; what is as usual left out."""
    given = {
        "--form": form if form != "c" else None,
        "--node": node,
        "--random": str(random) if random != 4 else None,
        "--seed": str(seed) if seed else None,
    }
    return [word for key, text in given.items() if text for word in (key, text)]


def _form_of(file: str) -> str:
    """The form that a file's ending chooses.

    Raises:
        UsageError: If it chooses none.
    """
    ending = Path(file).suffix.lower() if file != "-" else ""
    if ending not in _ENDINGS:
        expected = ", ".join(known for known in _ENDINGS if known)
        fault = Fault("no form of that ending", file, expected, "-o", "or state --form")
        raise UsageError(fault)
    return _ENDINGS[ending]
