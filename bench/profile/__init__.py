"""The profile: one description of bus, packet, nodes, outputs and what is acceptable.

TOML in, a checked `Profile` out, or every fault at once.  Imports the ground floor,
pydantic and quantiphy; reads files, since a profile is one, and writes none.
"""

from bench.profile.load import (
    load_profile,
    parse_profile,
    profile_digest,
    profile_of,
    shipped_profiles,
    to_toml,
)
from bench.profile.model import Profile
from bench.profile.schema import json_schema

__all__ = [
    "Profile",
    "json_schema",
    "load_profile",
    "parse_profile",
    "profile_digest",
    "profile_of",
    "shipped_profiles",
    "to_toml",
]
