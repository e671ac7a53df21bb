"""`nightbench qualify`: what host, driver and adapter can do, without a node."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from bench.cli.held import held_as, held_options, held_words
from bench.cli.options import point_of, set_option
from bench.cli.told import say, settled, tell_result

if TYPE_CHECKING:
    from pathlib import Path

    from bench.api_qualify import QualifyResult
    from bench.cli.options import Session
    from bench.report.page import Page
    from bench.report.terminal import Out


@click.command(short_help="Measure host and adapter alone, without a node.")
@held_options
@click.option(
    "--baud",
    default="1 Mbaud",
    metavar="BAUD",
    help="Of the line, '4 Mbaud'; 1 Mbaud where nothing is said.",
)
@set_option
@click.option(
    "--ear",
    metavar="NAME",
    help="A second link that hears the line; else what is sent has to come back.",
)
@click.option(
    "--logs",
    metavar="DIR",
    default="logs",
    type=click.Path(),
    help="The folder of all runs; ./logs.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
@click.option("--quiet", is_flag=True, help="No progress, and the shortest summary.")
@click.pass_obj
def qualify(session: Session, /, **given: Any) -> int:
    """Measure host and adapter alone: no node may be on the line.

    What is sent has to come back: by a plug that joins the pairs, on a loop, or through
    a second port (--ear).  What comes out is kept by the link's name, and verdicts over
    this link quote it.  Other values of the line by --set bus.parity=even.
    """
    from bench.report.terminal import Out
    from bench.trial.links import reaches_lights

    if reaches_lights(given["link"]):
        say("no node may be on this line: what is sent looks random")
    out = Out(sys.stdout)
    result = _qualified(session, given, out)

    def page() -> Page:
        from bench.report.qualify import qualify_brief, qualify_page

        made = qualify_brief if given["quiet"] else qualify_page
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given["as_json"])
    if result.figures["link_lost"]:
        say(result.figures["link_lost"])
    return settled(out, result.exit_code)


def _qualified(session: Session, given: dict[str, Any], out: Out) -> QualifyResult:
    """Run it, telling of each step."""
    from bench.api_qualify import qualify as measure
    from bench.report.terminal import Drawing, Out

    seen_on = Out(sys.stderr) if given["as_json"] else out
    drawing = None
    if not given["quiet"] and seen_on.is_terminal:
        drawing = Drawing(seen_on)

    def step(what: str) -> None:
        if drawing is not None:
            from bench.report.page import Piece

            drawing.draw([(Piece("measuring", "label"), Piece(f"  {what}"))])

    def begun(folder: Path) -> None:
        session.run = folder

    try:
        return measure(
            given["link"],
            baud=given["baud"],
            overrides=given["overrides"],
            ear=given["ear"],
            logs=given["logs"],
            link_options=held_as(given["port"]),
            facts={"point": point_of(given["overrides"]), "command": _command(given)},
            step=step,
            begun=begun,
            stop=session.stop,
        )
    finally:
        if drawing is not None:
            drawing.close()


def _command(given: dict[str, Any]) -> list[str]:
    """The words of a command that does the same again."""
    words = ["nightbench", "qualify", *held_words(given["link"], given["port"])]
    words += ["--baud", given["baud"]]
    for override in given["overrides"]:
        words += ["--set", override]
    return words if given["ear"] is None else [*words, "--ear", given["ear"]]
