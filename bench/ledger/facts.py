"""What a run's folder is called, what lies in it, and what is known beforehand.

Facts are kept as they were given: nothing here asks the machine or the device for them.
"""

from __future__ import annotations

import re
from hashlib import sha256
from typing import TYPE_CHECKING, Any, TypedDict

from bench.base.errors import Fault, UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

FORMAT_VERSION = 1
"""Version of the folder, its files and the lines in them, as `run.json` states it."""

RUN, PROFILE, VERDICT, REPORT = "run.json", "profile.toml", "verdict.json", "report.txt"
INTERVALS, ANOMALIES = "intervals.log", "anomalies.log"

_WHEN = re.compile(r"\d{8}T\d{6}Z", re.ASCII)
_WHAT = re.compile(r"[a-z0-9][a-z0-9_.-]{0,63}", re.ASCII)


class Rig(TypedDict):
    """What did the testing."""

    host: str
    versions: dict[str, str]


class Dut(TypedDict):
    """What was tested, as the operator gave it; None for what was not given."""

    serial: str | None
    revision: str | None
    firmware: str | None
    operator: str | None


class RunFacts(TypedDict):
    """What is known of a run before it begins.

    `point` holds what differs from the profile: dotted paths and their values;
    `firmware` is a digest.
    """

    seed: int
    point: dict[str, Any]
    rig: Rig
    dut: Dut


def folder_name(when: str, what: str) -> str:
    """The name of a run's folder.

    Raises:
        UsageError: If one of the two does not suit a name.
    """
    for name, value, pattern, form in (
        ("when", when, _WHEN, "UTC as 20261125T024440Z"),
        ("what", what, _WHAT, "up to 64 lower-case letters, digits, '-', '_', '.'"),
    ):
        if not pattern.fullmatch(value):
            raise UsageError(Fault(f"{name} does not suit a folder", value, form))
    return f"{when}-{what}"


def run_facts(
    when: str, what: str, run: Mapping[str, Any], profile: bytes
) -> dict[str, Any]:
    """The content of `run.json`.

    Raises:
        ValueError: If a fact that every run states was left out.
    """
    stated = RunFacts.__required_keys__
    if absent := sorted(stated - run.keys()):
        raise ValueError(f"run facts left out: {', '.join(absent)}")
    return {
        **run,
        "ledger": FORMAT_VERSION,
        "when": when,
        "what": what,
        "profile_sha256": file_digest(profile),
    }


def file_digest(profile: bytes) -> str:
    """The digest by which a resolved profile is known."""
    return sha256(profile).hexdigest()
