"""The profile on paper: TOML that can be typed in again, without a sign that is lost.

What all nodes have alike is stated once.  Signs that cannot be printed stand in strings
only, where TOML has an escape for them; strings that are too long for the page are
broken as TOML allows.  Other long lines stay whole: TOML has no way to break them.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from bench.profile.schema import SHARED
from bench.report.page import WIDTH

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile import Profile

_STRING = re.compile(r'(\S+ = )"(.*)"')
_WORD = re.compile(r"(?:\\U.{8}|\\u.{4}|\\.|[^ \\])* *")
"""Signs of a string up to the next word, escapes whole."""


def printable(profile: Profile) -> list[str]:
    """The lines of a profile, which reads back as the same one."""
    import tomli_w

    signs = (
        sign if sign.isprintable() or sign == "\n" else _escape(sign)
        for sign in tomli_w.dumps(_shared(profile.dump()))
    )
    lines = "".join(signs).rstrip("\n").split("\n")
    return [part for line in lines for part in _broken(line)]


def _shared(tables: dict[str, Any]) -> dict[str, Any]:
    """A profile in which what all nodes have alike is stated once."""
    nodes, shared = tables["node"], {}
    for key in SHARED:
        if all(node[key] == nodes[0][key] for node in nodes):
            shared[key] = nodes[0][key]
    own = [{k: v for k, v in node.items() if k not in shared} for node in nodes]
    before = {key: tables[key] for key in tables if not isinstance(tables[key], dict)}
    return {**before, **tables, **shared, "node": own}


def _escape(sign: str) -> str:
    code = ord(sign)
    return f"\\u{code:04X}" if code < 1 << 16 else f"\\U{code:08X}"


def _broken(line: str) -> Iterator[str]:
    """A line, or several where it is a string that is too long."""
    string = _STRING.fullmatch(line)
    if string is None or len(line) <= WIDTH:
        yield line
        return
    row = f'{string[1]}"""'
    for word in _WORD.findall(string[2]):
        # Three columns for a backslash or the closing quotes.  Spaces at the beginning
        # of a line are no part of a string, so none may come there.
        if len(row) + len(word) > WIDTH - 3 and not word.startswith(" "):
            yield f"{row}\\"
            row = ""
        row += word
    yield f'{row}"""'
