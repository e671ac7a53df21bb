"""Names for C: identifiers from whatever people call things, and safe comments.

A name is spelled in capitals, digits and single underscores, so that it begins with a
letter and is reserved neither in C nor in C++.  It is cut short: C99 promises to tell
apart no more than 63 characters (ISO/IEC 9899:1999, 5.2.4.1), of which a macro of a
header takes up to `SUFFIX` after its prefix.  Names that come out alike are numbered.

A comment holds printable ASCII only, never the sign that ends it, and no trigraph; each
is one line that ends in `*/`, so a backslash at its end joins nothing.
"""

from __future__ import annotations

import re
import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

SIGNIFICANT = 63
"""Characters of a name that every C99 compiler tells apart."""

LONGEST = 24
"""Characters of a prefix, and of a node's part of a name."""

SUFFIX = SIGNIFICANT - LONGEST
"""Characters that are left for the rest of a macro's name, its first underscore in."""

_BROKEN_UP = re.compile(r"(?<=\*)(?=/)|(?<=/)(?=\*)|(?<=\?)(?=\?)")
"""Between two signs that would end a comment, begin another, or be a trigraph."""


def prefix_of(profile_name: str) -> str:
    """What every name in the header of a profile begins with, in capitals."""
    spelling = _spelled(profile_name, LONGEST)
    if spelling and spelling[0].isalpha():
        return spelling
    return f"P{spelling}"[:LONGEST].rstrip("_")


def identifiers(names: Sequence[str], longest: int = LONGEST) -> list[str]:
    """The parts of C names that stand for some names, all of them different.

    A name that is spelled like an earlier one gets a number that no other ends in.
    """
    spelled = [_spelled(name, longest) or "UNNAMED" for name in names]
    taken: set[str] = set()
    result = []
    for spelling in spelled:
        one, number = spelling, 2
        while one in taken or (number > 2 and one in spelled):
            tail = f"_{number}"
            one = spelling[: longest - len(tail)].rstrip("_") + tail
            number += 1
        taken.add(one)
        result.append(one)
    return result


def comment(text: str) -> str:
    """A comment of one line."""
    signs = (sign if " " <= sign <= "~" else _escaped(sign) for sign in text)
    return f"/* {_BROKEN_UP.sub(' ', ''.join(signs))} */"


def _escaped(sign: str) -> str:
    """A sign that is no printable ASCII."""
    return sign.encode("unicode_escape").decode()


def _spelled(name: str, longest: int) -> str:
    """A name in capitals, digits and single underscores; "" if nothing is left."""
    apart = unicodedata.normalize("NFKD", name)
    plain = "".join(sign for sign in apart if not unicodedata.combining(sign))
    signs = re.sub(r"[^A-Z0-9]+", "_", plain.upper()).strip("_")
    return signs[:longest].rstrip("_")
