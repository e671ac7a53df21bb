"""The pytest plug-in: nightbench in a firmware's own test suite.

It is there wherever nightbench is installed, and does nothing until a test asks for one
of its fixtures: nothing is imported or looked for before, no fixture is used by itself.
Every option and fixture begins with `nightbench`:

    nightbench_profile        the profile that is named by the option or in the ini file
    nightbench_bus            the simulated boards: traffic in, what they showed out
    nightbench_child          a host build of the firmware, likewise
    nightbench_child_command  how it is called; override it to build it first
    nightbench_node           the simulated boards in real time, behind a TCP port
    nightbench_faults         what is wrong with those; override it
    nightbench_campaign       attacks on either, and what they found
    nightbench_vectors        golden vectors: packets in, port words out
    nightbench_seed           what all of these draw from

A project overrides `nightbench_profile` or any other of them in its own `conftest.py`.
Strategies for hypothesis are in `bench.strategies`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from bench.profile import Profile
    from bench.pytest_plugin.bus import Bus
    from bench.pytest_plugin.campaign import Campaign
    from bench.pytest_plugin.child import Child
    from bench.pytest_plugin.golden import GoldenVectors
    from bench.pytest_plugin.served import ServedNode

__all__ = ["pytest_addoption"]

_OPTIONS = {
    "profile": ("NAME", "The profile: a shipped one, or the path of a .toml file."),
    "child": ("COMMAND", "The firmware as a program: octets in, sighting lines out."),
    "seed": ("N", "What everything is drawn from; 0."),
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """Options, each of them also a key of the ini file."""
    group = parser.getgroup("nightbench", "boards on a bus (nightbench)")
    for name, (metavar, told) in _OPTIONS.items():
        group.addoption(f"--nightbench-{name}", metavar=metavar, help=told)
        parser.addini(f"nightbench_{name}", told)
    told = "A value of the profile by its dotted path, PATH=VALUE; repeatable."
    group.addoption(
        "--nightbench-set", metavar="PATH=VALUE", action="append", help=told
    )
    parser.addini("nightbench_set", told, type="linelist")


# --- what is named --------------------------------------------------------------------


@pytest.fixture(scope="session")
def nightbench_profile(request: pytest.FixtureRequest) -> Profile:
    """The profile that `--nightbench-profile` or the ini file names."""
    from bench.pytest_plugin.asked import profile_asked

    return profile_asked(request.config)


@pytest.fixture(scope="session")
def nightbench_seed(request: pytest.FixtureRequest) -> int:
    """What everything is drawn from: the same seed, the same traffic."""
    from bench.pytest_plugin.asked import seed_asked

    return seed_asked(request.config)


@pytest.fixture(scope="session")
def nightbench_child_command(request: pytest.FixtureRequest) -> str:
    """How the firmware's host build is called; a project may build it here."""
    from bench.pytest_plugin.asked import child_asked

    return child_asked(request.config)


@pytest.fixture
def nightbench_faults() -> tuple[str, ...]:
    """What is wrong with a served node, as `nightbench serve --fault` takes it."""
    return ()


# --- what is tested -------------------------------------------------------------------


@pytest.fixture(scope="session")
def nightbench_bus(
    nightbench_profile: Profile, nightbench_seed: int, tmp_path_factory: Paths
) -> Bus:
    """The simulated boards of the profile, switched on anew for everything sent."""
    from bench.pytest_plugin.bus import Bus

    return Bus(nightbench_profile, nightbench_seed, tmp_path_factory.mktemp)


@pytest.fixture(scope="session")
def nightbench_child(
    nightbench_profile: Profile,
    nightbench_seed: int,
    nightbench_child_command: str | Path,
    tmp_path_factory: Paths,
) -> Child:
    """A host build of the firmware, started anew for everything sent."""
    from bench.pytest_plugin.child import Child

    make = tmp_path_factory.mktemp
    return Child(nightbench_profile, nightbench_seed, nightbench_child_command, make)


@pytest.fixture
def nightbench_node(
    nightbench_profile: Profile,
    nightbench_seed: int,
    nightbench_faults: tuple[str, ...],
) -> Iterator[ServedNode]:
    """The simulated boards in real time, behind a TCP port of this machine."""
    from bench.pytest_plugin.served import ServedNode

    node = ServedNode(nightbench_profile, nightbench_seed, nightbench_faults)
    yield node
    node.stop()


@pytest.fixture(scope="session")
def nightbench_campaign(
    nightbench_profile: Profile, nightbench_seed: int, tmp_path_factory: Paths
) -> Campaign:
    """Attacks on boards, and the least that breaks one."""
    from bench.pytest_plugin.campaign import Campaign

    return Campaign(nightbench_profile, nightbench_seed, tmp_path_factory.mktemp)


@pytest.fixture(scope="session")
def nightbench_vectors(
    nightbench_profile: Profile, nightbench_seed: int
) -> GoldenVectors:
    """Golden vectors of the profile's nodes."""
    from bench.pytest_plugin.golden import GoldenVectors

    return GoldenVectors(nightbench_profile, nightbench_seed)


Paths = pytest.TempPathFactory
