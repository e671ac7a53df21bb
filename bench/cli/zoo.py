"""`nightbench zoo`: the exam of the bench itself, on nodes that are bad on purpose."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import click

from bench.cli.options import Whole, set_option
from bench.cli.runs import seed_option
from bench.cli.told import say_if_cold, settled

if TYPE_CHECKING:
    from bench.api_fuzz import ZooResult
    from bench.cli.options import Session
    from bench.report.terminal import Out

_TOLD = ("name", "found", "by", "cases", "smallest", "oracle", "known")


@click.command(short_help="The exam of the bench: does it find every bad node?")
@click.argument("profile", required=False, metavar="[PROFILE]")
@set_option
@click.option(
    "--node",
    "names",
    metavar="NAME",
    multiple=True,
    help="A bad node by its name, told as a note; repeatable; all unless given.",
)
@click.option(
    "--cases",
    type=Whole(1, 2**40),
    metavar="N",
    help="Cases after which a bad node counts as not found; 200,000.",
)
@seed_option
@click.option(
    "--jobs",
    type=Whole(1, 1024),
    metavar="N",
    help="Processes; as many as there are cores.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="A JSON list on stdout, one object a node."
)
@click.option("--quiet", is_flag=True, help="No progress.")
@click.pass_obj
def zoo(session: Session, /, **options: Any) -> int:
    """Run the bench against nodes that are bad on purpose, and against good ones.

    A bad node is a good one with a wrong number somewhere: every one has to be found,
    and nothing in the good ones. With PROFILE the bad nodes are made from that.
    """
    session.profile = options["profile"] or ""
    from bench.api_fuzz import zoo as examine
    from bench.report.fuzz.zoo import ExamTold
    from bench.report.terminal import Out, Unmoved

    out = Out(sys.stdout)
    as_json, quiet = options["as_json"], options["quiet"]
    if not quiet:
        say_if_cold(attacks=True)
    looking = ExamTold(Out(sys.stderr) if as_json else out)
    request: dict[str, Any] = {
        "overrides": options["overrides"],
        "names": options["names"],
        "seed": options["seed"] or 0,
        "jobs": options["jobs"],
        "watcher": Unmoved() if quiet else looking,
        "stop": session.stop,
    }
    if options["cases"] is not None:
        request["cases"] = options["cases"]
    try:
        result = examine(options["profile"], **request)
    finally:
        looking.close()
    _told(result, out, names=options["names"], as_json=as_json)
    return settled(out, result.exit_code)


def _told(
    result: ZooResult, out: Out, *, names: tuple[str, ...], as_json: bool
) -> None:
    """The result on standard output."""
    from bench.report.fuzz.zoo import bad_node_page, zoo_page
    from bench.report.terminal import show

    if as_json:
        told = [{key: node[key] for key in _TOLD} for node in result.nodes]
        out.write(json.dumps(told, allow_nan=False) + "\n")
        return
    for node in result.nodes if names else ():
        show(bad_node_page(node, out.width), out)
        out.write("\n")
    told_of = {
        "left": result.left,
        "seed": result.seed,
        "spent_ns": result.spent_ns,
        "larger": [node["name"] for node in result.larger],
    }
    show(zoo_page(result.nodes, result.good, told_of, out.width), out)
