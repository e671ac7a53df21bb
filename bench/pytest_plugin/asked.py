"""What the options and the ini file ask for; a fault ends a test in one line."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bench.base.errors import BenchError, Fault, UsageError
from bench.base.units import shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bench.profile import Profile

__all__ = ["child_asked", "profile_asked", "seed_asked", "told"]

_MOST_SEED = 2**64 - 1


@contextmanager
def told() -> Iterator[None]:
    """Whatever a user can mend fails the test with its lines, without a traceback."""
    try:
        yield
    except BenchError as error:
        pytest.fail("\n".join(f"nightbench: {line}" for line in error.lines), False)


def profile_asked(config: pytest.Config) -> Profile:
    """The profile that is named, with what is set."""
    from bench.api import load_profile

    with told():
        name = _asked(config, "profile")
        if not name:
            raise UsageError(_missing("profile", "no profile is named"))
        sets = config.getini("nightbench_set")
        sets = [*sets, *(config.getoption("nightbench_set") or ())]
        source = Path(config.rootpath, name)
        # A path is told from where the ini file lies, wherever pytest was started.
        return load_profile(source if source.suffix == ".toml" else name, sets)


def child_asked(config: pytest.Config) -> str:
    """The command of the firmware's host build."""
    with told():
        command = _asked(config, "child")
        if not command:
            raise UsageError(_missing("child", "no program is named"))
        return command


def seed_asked(config: pytest.Config) -> int:
    """The seed; 0 unless given."""
    with told():
        text = _asked(config, "seed") or "0"
        if not text.isdecimal() or int(text) > _MOST_SEED:
            expected, where = f"0 to {_MOST_SEED}", "--nightbench-seed"
            raise UsageError(Fault("not a seed", shown(text), expected, where))
        return int(text)


def _asked(config: pytest.Config, name: str) -> str:
    """An option, or else a key of the ini file."""
    option = config.getoption(f"nightbench_{name}")
    return str(option or config.getini(f"nightbench_{name}") or "")


def _missing(name: str, what: str) -> Fault:
    mend = f"or nightbench_{name} in the ini file, or override the fixture"
    return Fault(what, "", f"--nightbench-{name}", mend=mend)
