"""One source for firmware and bench: the C header of a profile.

Firmware that is built from it has the packet format, the check, the times and the
outputs of the profile that the bench tests it with, under names that begin with the
profile's.  C99, and C++ from C++11 on; printable ASCII; no dates, so that the same
profile gives the same octets.

A build that takes in headers of two profiles, or two states of one, whose names begin
alike is stopped by an `#error` instead of getting the figures of the first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.profile import profile_digest
from bench.report.fields import check_of
from bench.report.header.checks import check_constants, check_functions
from bench.report.header.lines import Part
from bench.report.header.names import comment, prefix_of
from bench.report.header.node import kinds_part, nodes_part
from bench.report.header.packet import (
    fields_part,
    framing_part,
    line_part,
    span_function,
)
from bench.wire.format import format_of

if TYPE_CHECKING:
    from bench.profile import Profile

__all__ = ["header"]


def header(profile: Profile, command: str) -> str:
    """The C header of a profile.

    Args:
        profile: The profile.
        command: What makes it again, for the comment at its head.
    """
    prefix, digest = prefix_of(profile.name), profile_digest(profile)
    guard, known = f"{prefix}_H", f"0x{digest[:8].upper()}UL"
    check = check_of(format_of(profile.packet).layout)
    lines = [
        comment(f"{profile.name}: packet format, check, times and outputs"),
        comment(f"profile digest {digest}"),
        comment("Generated: do not edit.  Change the profile, and make it again by"),
        comment(f"    {command}"),
        "",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        "#include <stddef.h>",
        "#include <stdint.h>",
        *_identity(prefix, profile, digest, known),
        *line_part(prefix, profile),
        *framing_part(prefix, profile),
        *fields_part(prefix, profile),
    ]
    if check is not None:
        lines += check_constants(prefix, check)
        lines += check_functions(prefix, check)
        lines += span_function(prefix, profile)
    lines += nodes_part(prefix, profile)
    lines += kinds_part(prefix, profile)
    lines += [
        "",
        f"#elif {prefix}_DIGEST_32 != {known}",
        f'#error "another header whose names begin with {prefix}_ was included before"',
        "#endif",
    ]
    return "\n".join(lines) + "\n"


def _identity(prefix: str, profile: Profile, digest: str, known: str) -> list[str]:
    """Which profile it is."""
    part = Part(prefix, "the profile")
    part.define("PROFILE", f'"{profile.name}"')
    part.define("DIGEST", f'"{digest}"')
    part.define("DIGEST_32", known, "its first eight digits")
    return part.lines()
