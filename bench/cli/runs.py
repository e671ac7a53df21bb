"""What commands that run trials share: options, and who notes the run's folder."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
from bench.cli.files import digest
from bench.cli.options import Whole

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from bench.cli.options import Session
    from bench.trial.runner import Progress, Watcher

    Command = Callable[..., Any]

DRAWN_SEED = 2**32
"""A seed that is drawn is shorter than it might be: somebody may have to type it."""

_DUT = ("serial", "revision", "operator")

seed_option = click.option(
    "--seed",
    type=Whole(0, 2**64 - 1),
    metavar="N",
    help="What every draw depends on; drawn and told unless given.",
)


def run_options(command: Command) -> Command:
    """The options about what is tested, where it is kept, and how it is told."""
    options = (
        click.option(
            "--dut",
            multiple=True,
            metavar="WHAT=TEXT",
            help="The device under test: serial, revision, operator; repeatable.",
        ),
        click.option(
            "--firmware",
            metavar="FILE",
            type=click.Path(),
            help="Its firmware; the digest is kept.",
        ),
        click.option(
            "--logs",
            metavar="DIR",
            default="logs",
            type=click.Path(),
            help="The folder of all runs; ./logs.",
        ),
        click.option(
            "--on-log-failure",
            type=click.Choice(["stop", "continue"]),
            default="stop",
            help="Whether a ledger that cannot be written stops the traffic; it does.",
        ),
        click.option(
            "--json", "as_json", is_flag=True, help="One JSON object on stdout."
        ),
        click.option(
            "--quiet", is_flag=True, help="No progress, and the shortest summary."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


def device_of(dut: Sequence[str], firmware: str | None) -> Mapping[str, str]:
    """What is known of the device under test.

    Args:
        dut: What `--dut` said.
        firmware: What `--firmware` said.

    Raises:
        UsageError: If it is described in other words, or the firmware cannot be read.
    """
    stated = {}
    for text in dut:
        word, equals, value = text.partition("=")
        if not equals or word not in _DUT or not value:
            expected = " or ".join(f"{known}=…" for known in _DUT)
            raise UsageError(Fault("not a fact of the device", text, expected, "--dut"))
        stated[word] = value
    if firmware is not None:
        stated["firmware"] = f"sha256:{digest(firmware, '--firmware')}"
    return stated


class Noting:
    """A watcher that notes where the run is kept."""

    def __init__(self, session: Session, watcher: Watcher) -> None:
        self._session = session
        self._watcher = watcher

    def begun(self, folder: Path) -> None:
        """See `Watcher`."""
        self._session.run = folder
        self._watcher.begun(folder)

    def progress(self, progress: Progress) -> None:
        """See `Watcher`."""
        self._watcher.progress(progress)
