"""`nightbench qualify`: what host, driver and adapter can do, without a node."""

from __future__ import annotations

import sys
from functools import partial
from typing import TYPE_CHECKING, Any

import click

from bench.base.errors import Fault, UsageError
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
@partial(held_options, required=False)
@click.option(
    "--baud",
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
    "--capture",
    metavar="FILE",
    type=click.Path(),
    help="Judge a capture of the bus, a value change dump, and open no port.",
)
@click.option(
    "--signal",
    metavar="NAME",
    help="Which wire of the capture, 'top.rx' or 'gpio[3]'; the only one where nothing "
    "is said.",
)
@click.option(
    "--run",
    metavar="DIR",
    type=click.Path(),
    help="The run that the capture shows: did it hold its spacing on the wire?",
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

    With --capture a file of the bus is judged afterwards: the real baud, the pitch of
    characters, and how long the line rested; with --run whether a stream that it shows
    was on the wire as its schedule says.
    """
    _refuse_strays(given)
    if given["capture"] is not None:
        return _captured(session, given)
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


def _refuse_strays(given: dict[str, Any]) -> None:
    """Refuse options that mean nothing beside each other.

    Raises:
        UsageError: Naming one.
    """
    captured = given["capture"] is not None
    if not captured and given["link"] is None:
        mend = "--link NAME, or --capture FILE"
        raise UsageError(Fault("nothing to measure", mend=mend))
    idle = ("ear", "port") if captured else ("signal", "run")
    for name in idle:
        if given[name]:
            what = "nothing to hold" if captured else "nothing was captured"
            mend = "leave it out" if captured else "--capture FILE"
            raise UsageError(Fault(what, f"--{name}", mend=mend))
    if given["run"] is not None and (given["baud"] or given["overrides"]):
        word = "--baud" if given["baud"] else "--set"
        fault = Fault("a run has a profile of its own", word, mend="leave it out")
        raise UsageError(fault)


def _captured(session: Session, given: dict[str, Any]) -> int:
    """Judge a capture."""
    from bench.api_qualify import BAUD, qualify_capture
    from bench.report.terminal import Out

    def begun(folder: Path) -> None:
        session.run = folder

    out = Out(sys.stdout)
    result = qualify_capture(
        given["capture"],
        signal=given["signal"],
        baud=given["baud"] or BAUD,
        overrides=given["overrides"],
        run=given["run"],
        link_name=given["link"],
        logs=given["logs"],
        facts={"point": point_of(given["overrides"]), "command": _command(given)},
        begun=begun,
    )

    def page() -> Page:
        from bench.report.qualify import capture_page, qualify_brief

        made = qualify_brief if given["quiet"] else capture_page
        return made(result.as_dict(), result.facts, out.width)

    tell_result(result, out, page, as_json=given["as_json"])
    return settled(out, result.exit_code)


def _qualified(session: Session, given: dict[str, Any], out: Out) -> QualifyResult:
    """Run it, telling of each step."""
    from bench.api_qualify import BAUD
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
            baud=given["baud"] or BAUD,
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
    words = ["nightbench", "qualify"]
    if given["link"] is not None:
        words += held_words(given["link"], given["port"])
    for name in ("capture", "signal", "run", "baud", "ear"):
        if given[name] is not None:
            words += [f"--{name}", given[name]]
    for override in given["overrides"]:
        words += ["--set", override]
    return words
