"""The plug-in in a project of its own: quiet until it is asked, plain when it is."""

from __future__ import annotations

import pytest
from plugin.project import CHILD, ENTRY, Project, declared

WATCH = """
import sys

HEAVY = ("numpy", "numba", "pydantic", "click", "scipy", "hypothesis")

def heavy():
    return sorted(name for name in HEAVY if name in sys.modules)

def of_bench():
    return sorted(name for name in sys.modules if name.split(".")[0] == "bench")
"""


@pytest.fixture
def project(tmp_path):
    """An empty project."""
    return Project(tmp_path)


def test_the_package_declares_it():
    """Where nightbench is installed, pytest finds the plug-in."""
    assert declared() == ENTRY


def test_nothing_is_done_at_collection(project):
    """Collected, with its options asked for in vain: nothing but the plug-in is there.

    That the profile it names does not exist is no matter before a test asks for it.
    """
    conftest = """
from watch import heavy, of_bench

def pytest_collection_finish(session):
    print("HEAVY", heavy())
    print("BENCH", of_bench())
"""
    tests = "def test_without():\n    assert True\n"
    project.write(watch=WATCH, conftest=conftest, test_plain=tests)
    ran = project.run("-q", "-s", "--nightbench-profile=none", "--nightbench-seed=x")
    assert ran.code == 0, ran.text
    assert "HEAVY []" in ran.text
    assert "BENCH ['bench', 'bench.pytest_plugin']" in ran.text
    assert ran.counts == {"passed": 1}


def test_no_fixture_is_used_by_itself(project):
    """A plain test has no fixture of the bench."""
    tests = """
def test_without(request):
    assert not [name for name in request.fixturenames if "nightbench" in name]
"""
    assert project.write(test_plain=tests).run("-q").counts == {"passed": 1}


def test_every_name_has_the_prefix(project):
    """Options, keys of the ini file and fixtures begin with nightbench."""
    options = project.run("--help").text
    group = options[options.index("boards on a bus (nightbench):") :]
    group = group[: group.index("\n\n")]
    found = {word for word in group.split() if word.startswith("--")}
    assert {word.partition("=")[0] for word in found} == {
        "--nightbench-profile",
        "--nightbench-child",
        "--nightbench-seed",
        "--nightbench-set",
    }
    fixtures = project.run("--fixtures", "-q").text
    assert fixtures.count("nightbench_") >= 9


def test_no_kernel_unless_boards_are_simulated(project):
    """Profile, program, vectors and strategies load no compiler; the bus does."""
    tests = """
from watch import heavy

def test_light(
    nightbench_profile, nightbench_vectors, nightbench_child, nightbench_campaign
):
    from bench.strategies import traffic
    assert nightbench_vectors.of()
    traffic(nightbench_profile)
    assert "numba" not in heavy()

def test_simulated(nightbench_bus):
    assert "numba" in heavy()
"""
    project.copy(CHILD / "profile.toml").write(watch=WATCH, test_it=tests)
    ran = project.run(
        "-q", "--nightbench-profile=profile.toml", "--nightbench-child=cat"
    )
    assert ran.counts == {"passed": 2}, ran.text


# --- what is named --------------------------------------------------------------------

NAMES = """
def test_it(nightbench_profile, nightbench_seed):
    assert nightbench_profile.name == "causeway"
    assert nightbench_profile.node[0].output.clock_hz == 2_000_000
    assert nightbench_profile.node[0].output.devices == 3
    assert nightbench_seed == 12
"""


def test_options_and_ini_file(project):
    """An option is stronger than the ini file; what is set adds up."""
    ini = """[pytest]
nightbench_profile = jetty
nightbench_seed = 5
nightbench_set =
    output.clock = 1 MHz
    output.devices = 3
"""
    (project.folder / "pytest.ini").write_text(ini)
    ran = project.write(test_it=NAMES).run(
        *("-q", "--nightbench-profile", "causeway", "--nightbench-seed", "12"),
        *("--nightbench-set", "output.clock=2 MHz"),
    )
    assert ran.counts == {"passed": 1}, ran.text


def test_a_path_counts_from_the_root(project):
    """A profile beside the ini file is found, wherever pytest is started."""
    (project.folder / "pytest.ini").write_text(
        "[pytest]\nnightbench_profile = profile.toml\n"
    )
    project.copy(CHILD / "profile.toml")
    (project.folder / "deep").mkdir()
    tests = """
def test_it(nightbench_profile):
    assert len(nightbench_profile.node) == 2
"""
    (project.folder / "deep" / "test_it.py").write_text(tests)
    project.folder = project.folder / "deep"
    assert project.run("-q").counts == {"passed": 1}


def test_a_project_overrides_fixtures(project):
    """A profile from a project's own conftest, used by the fixtures beside it."""
    conftest = """
import bench, pytest

@pytest.fixture(scope="session")
def nightbench_profile():
    return bench.load_profile("modbus-rtu")
"""
    tests = """
def test_it(nightbench_vectors):
    assert nightbench_vectors.of()[0].packet[1] == 0x10
"""
    ran = project.write(conftest=conftest, test_it=tests).run("-q")
    assert ran.counts == {"passed": 1}, ran.text


@pytest.mark.parametrize(
    ("words", "fixture", "line"),
    [
        (
            (),
            "profile",
            (
                "no profile is named, expected --nightbench-profile (or "
                "nightbench_profile in the ini file, or override the fixture)"
            ),
        ),
        (
            ("--nightbench-profile=causway",),
            "bus",
            (
                "unknown profile: causway, expected causeway, dmx512, jetty, "
                "modbus-rtu or slipway, or a path to a .toml file (did you mean "
                "causeway?)"
            ),
        ),
        (
            ("--nightbench-profile=causeway", "--nightbench-set=output.clok=1 MHz"),
            "vectors",
            (
                "unknown path: output.clok @ --set output.clok (did you mean "
                "output.clock?)"
            ),
        ),
        (
            ("--nightbench-profile=causeway", "--nightbench-seed=-1"),
            "bus",
            "not a seed: -1, expected 0 to 18446744073709551615 @ --nightbench-seed",
        ),
        (
            ("--nightbench-profile=causeway",),
            "child",
            (
                "no program is named, expected --nightbench-child (or nightbench_child "
                "in the ini file, or override the fixture)"
            ),
        ),
    ],
)
def test_what_cannot_be_obeyed(project, words, fixture, line):
    """One line, no traceback, and the test that asked is an error, not a failure."""
    tests = f"def test_it(nightbench_{fixture}):\n    pass\n"
    ran = project.write(test_it=tests).run("-q", *words)
    assert ran.code == 1
    assert ran.counts == {"error": 1}
    assert f"nightbench: {line}" in ran.text
    assert "Traceback" not in ran.text
    assert "BenchError" not in ran.text


def test_fixtures_do_without_hypothesis(project):
    """Where it is not installed, only strategies are missing, and say so."""
    conftest = """
import sys
sys.modules["hypothesis"] = None  # as if it were not installed
"""
    tests = """
import pytest

def test_bus(nightbench_bus):
    assert nightbench_bus.send(b"").shown["upper"] == []

def test_child(nightbench_child):
    assert nightbench_child.send(b"x").said == ["x"]

def test_strategies():
    with pytest.raises(ImportError, match="hypothesis"):
        from bench.strategies import traffic
"""
    project.copy(CHILD / "profile.toml").write(conftest=conftest, test_it=tests)
    ran = project.run(
        *("-q", "-p", "no:hypothesispytest"),
        *("--nightbench-profile=profile.toml", "--nightbench-child=cat"),
    )
    assert ran.counts == {"passed": 3}, ran.text
