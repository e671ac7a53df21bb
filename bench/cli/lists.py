"""Commands that print what there is: patterns, the schema, the line for completion."""

from __future__ import annotations

import os
from pathlib import PurePath

import click

from bench.cli.told import put

_SHELLS = {
    "bash": ("~/.bashrc", 'eval "$(_NIGHTBENCH_COMPLETE=bash_source nightbench)"'),
    "zsh": ("~/.zshrc", 'eval "$(_NIGHTBENCH_COMPLETE=zsh_source nightbench)"'),
    "fish": (
        "~/.config/fish/completions/nightbench.fish",
        "_NIGHTBENCH_COMPLETE=fish_source nightbench | source",
    ),
}


@click.command(short_help="List the payload patterns.")
def patterns() -> int:
    """List the payload patterns that `traffic.pattern` may name.

    After them come examples of patterns by channel, for checking wiring: lanes, devices
    and channels are counted from 0, and whatever is not named is dark.
    """
    from bench.traffic.by_channel import BY_CHANNEL
    from bench.traffic.patterns import PATTERNS

    named = [(pattern.name, pattern.line) for pattern in PATTERNS]
    longest = max(len(name) for name, _ in (*named, *BY_CHANNEL))
    lines = [f"{name:<{longest}}  {line}" for name, line in (*named, *BY_CHANNEL)]
    return put("\n".join([*lines[: len(named)], "", *lines[len(named) :]]))


@click.command(short_help="Print the JSON Schema of a profile.")
@click.option("--plan", is_flag=True, help="Of a plan of acceptance instead.")
def schema(plan: bool) -> int:
    """Print the JSON Schema of a profile, for editors that complete and check TOML."""
    import json

    from bench.profile import json_schema

    made = json_schema()
    if plan:
        from bench.trial.accept.load import plan_schema

        made = plan_schema()
    return put(json.dumps(made, indent=2, ensure_ascii=True))


@click.command(short_help="Print the line that makes a shell complete.")
@click.argument("shell", type=click.Choice(list(_SHELLS)), required=False)
def completion(shell: str | None) -> int:
    """Print what to add to a shell's start-up file, for the shell in use or SHELL."""
    if shell is None:
        used = PurePath(os.environ.get("SHELL", "")).name
        shell = used if used in _SHELLS else "bash"
    file, line = _SHELLS[shell]
    return put(f"# completion of nightbench: add this to {file}\n{line}")
