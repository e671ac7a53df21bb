"""From a file, or from text, to a checked profile; and back to text.

Everything that is wrong is reported at once: first what has the wrong shape, then the
broken rules between what is sound, each in the order of the file.
"""

from __future__ import annotations

import json
from difflib import get_close_matches
from hashlib import blake2b
from pathlib import Path as FilePath
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from bench.base.errors import Fault, ProfileError
from bench.base.units import shown
from bench.profile.faults import Placed, in_order, shape_faults
from bench.profile.holes import with_holes
from bench.profile.model import Profile
from bench.profile.overrides import overridden
from bench.profile.rules import Broken, CheckOctets, broken_rules
from bench.profile.schema import SHARED, one_of
from bench.profile.tables import Written, dotted, read_toml

if TYPE_CHECKING:
    from collections.abc import Sequence

_PACKAGE = FilePath(__file__).parents[1]

_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff")


def load_profile(
    source: str | FilePath,
    overrides: Sequence[str] = (),
    check_octets: CheckOctets | None = None,
) -> Profile:
    """The profile of a file.

    Args:
        source: A bare name is a shipped profile; a `Path`, and text with a separator
            or with the ending .toml, is a file.
        overrides: See `parse_profile`.
        check_octets: See `parse_profile`.

    Raises:
        ProfileError: If it cannot be read, or has faults; all of them.
    """
    file = _file_of(source)
    return parse_profile(_read(file), overrides, str(file), check_octets)


def read_tables(source: str | FilePath) -> dict[str, Any]:
    """The tables of a profile as its file has them, unchecked; see `profile_of`.

    Args:
        source: See `load_profile`.

    Raises:
        ProfileError: If it cannot be read, or is no TOML.
    """
    file = _file_of(source)
    return read_toml(_read(file), str(file))


def parse_profile(
    text: str,
    overrides: Sequence[str] = (),
    name: str = "profile",
    check_octets: CheckOctets | None = None,
) -> Profile:
    """The profile of a TOML text.

    Args:
        text: The text.
        overrides: Values set by their dotted path, `output.clock=2 MHz`; put in before
            shared tables are laid under the nodes' own.
        name: Of the text, for faults of its TOML.
        check_octets: Octets of a named check, from the floor that knows the names; it
            raises `BenchError` for a name that means none or several.  Without it
            names of checks are not examined.

    Raises:
        ProfileError: If it has faults; all of them.
    """
    return profile_of(read_toml(text, name), overrides, check_octets)


def profile_of(
    tables: dict[str, Any],
    overrides: Sequence[str] = (),
    check_octets: CheckOctets | None = None,
) -> Profile:
    """The profile of tables as the file would hold them; see `parse_profile`."""
    written, faults = overridden(tables, overrides)
    merged = written.merged()
    shape: list[Placed] = []
    try:
        profile = Profile.model_validate(merged)
    except ValidationError as error:
        shape = shape_faults(error, merged) + _shared_faults(written)
        profile = with_holes(Profile, merged)
    broken = broken_rules(profile, check_octets, holes=bool(shape))
    faults += in_order(shape, written)
    faults += in_order([_said(rule, written) for rule in broken], written)
    if faults:
        raise ProfileError(faults)
    return profile


def _shared_faults(written: Written) -> list[Placed]:
    """Faults of shared tables that no node looks at, because there is none yet."""
    shared = {key: written.tables[key] for key in SHARED if key in written.tables}
    nodes = written.tables.get("node")
    if (isinstance(nodes, list) and nodes) or not shared:
        return []
    stand_in = {"name": "stand-in", "address": 0, **shared}
    merged = {**written.merged(), "node": [stand_in]}
    try:
        Profile.model_validate(merged)
    except ValidationError as error:
        return [
            (path, fault)
            for path, fault in shape_faults(error, merged)
            if len(path) > 2 and path[0] == "node" and path[2] in shared
        ]
    return []


def _said(rule: Broken, written: Written) -> Placed:
    """A broken rule as a fault, the places that it speaks of put in."""
    expected = "".join(
        piece if isinstance(piece, str) else dotted(written.place(piece))
        for piece in rule.expected
    )
    return rule.path, Fault(rule.what, shown(rule.value), expected, mend=rule.mend)


# --- files ----------------------------------------------------------------------------


def shipped_folder() -> FilePath:
    """Where the shipped profiles lie: in the package, or beside it in a checkout."""
    inside = _PACKAGE / "_profiles"
    return inside if inside.is_dir() else _PACKAGE.parent / "profiles"


def shipped_profiles() -> list[str]:
    """The names of the shipped profiles."""
    return sorted(file.stem for file in shipped_folder().glob("*.toml"))


def _file_of(source: str | FilePath) -> FilePath:
    """The file that a name or a path means."""
    if isinstance(source, FilePath):
        return source
    if "/" in source or "\\" in source or source.endswith(".toml"):
        return FilePath(source)
    shipped = shipped_profiles()
    if source in shipped:
        return shipped_folder() / f"{source}.toml"
    near = get_close_matches(source, shipped, n=1)
    mend = f"did you mean {near[0]}?" if near else ""
    expected = f"{one_of(shipped)}, or a path to a .toml file"
    raise ProfileError([Fault("unknown profile", shown(source), expected, mend=mend)])


def _read(file: FilePath) -> str:
    """The text of a file, which is UTF-8 as TOML demands."""
    where = str(file)
    try:
        octets = file.read_bytes()
        return octets.decode()
    except UnicodeDecodeError as error:
        mend = "save it as UTF-8"
        what = f"not UTF-8 from octet {error.start} on"
        if octets.startswith(_UTF16_MARKS):
            what = "UTF-16"
        raise ProfileError([Fault(what, "", "UTF-8", where, mend)]) from error
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = error.strerror if isinstance(error, OSError) else str(error)
        what = f"cannot read the profile ({str(reason).lower()})"
        raise ProfileError([Fault(what, where=shown(where, 200))]) from error


# --- back to text ---------------------------------------------------------------------


def to_toml(profile: Profile) -> str:
    """The resolved profile as TOML, every default written out, every node whole."""
    import tomli_w

    return tomli_w.dumps(profile.dump())


def profile_digest(profile: Profile) -> str:
    """A digest of the resolved profile: equal for equal profiles, however written."""
    canonical = json.dumps(profile.dump(), sort_keys=True, separators=(",", ":"))
    return blake2b(canonical.encode(), digest_size=16).hexdigest()
