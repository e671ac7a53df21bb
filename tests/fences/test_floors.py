"""Imports run one way, from the face down to the ground.

Every import statement of the package is read, those inside functions too: a floor may
use what lies on a lower floor, and packages side by side on one floor know nothing of
each other.
"""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import bench

PACKAGE = Path(bench.__file__).parent

FACES = {
    "api",
    "api_accept",
    "api_drive",
    "api_fuzz",
    "api_listen",
    "api_qualify",
    "api_report",
    "api_runs",
    "api_search",
    "api_soak",
    "api_upset",
    "api_vectors",
    "cli",
    "pytest_plugin",
    "__init__",
    "__main__",
}
"""What people and programs meet: these may ask each other."""

FLOORS = [
    {"base"},
    {"profile", "kernels"},
    {"wire"},
    {"link"},
    {"node"},
    {"traffic", "capture", "golden", "strategies"},
    {"budget"},
    {"judge"},
    {"ledger"},
    {"trial"},
    {"fuzz"},
    {"report"},
    FACES,
]
"""From the ground up."""

FLOOR_OF = {name: k for k, names in enumerate(FLOORS) for name in names}

SOURCES = sorted(PACKAGE.rglob("*.py"))


def room_of(module: str) -> str:
    """The package or top module that a dotted module belongs to."""
    parts = module.split(".")
    known = len(parts) > 1 and parts[1] in FLOOR_OF
    return parts[1] if known else "__init__"


def imports_of(path: Path) -> set[str]:
    """Every module of the bench that a file imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are absolute"
            if node.module == "bench":
                found |= {f"bench.{alias.name}" for alias in node.names}
            elif node.module:
                found.add(node.module)
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] == "bench"}


def module_of(path: Path) -> str:
    """The dotted name of a source file."""
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts)


def test_every_package_has_a_floor():
    """A new folder or module must be given its place here first."""
    rooms = {path.relative_to(PACKAGE).parts[0].removesuffix(".py") for path in SOURCES}
    assert rooms == set(FLOOR_OF)


@pytest.mark.parametrize("path", SOURCES, ids=module_of)
def test_imports_run_downwards(path):
    """No file imports from a higher floor, nor from another room on its own."""
    room = room_of(module_of(path))
    for name in imports_of(path):
        other = room_of(name)
        if other == room:
            continue
        # The package itself may be asked for what the face hands out, by the face.
        assert FLOOR_OF[other] < FLOOR_OF[room] or {room, other} <= FLOORS[-1], (
            f"{module_of(path)} imports {name}"
        )


@pytest.mark.parametrize(
    "path", sorted((PACKAGE / "kernels").rglob("*.py")), ids=module_of
)
def test_kernels_import_numbers_only(path):
    """Kernels know numpy, numba and each other; only `jit` needs to know of folders."""
    allowed = {"numpy", "numba", "llvmlite", "collections", "__future__", "bench"}
    if path.name == "jit.py":
        allowed |= {"atexit", "os", "shutil", "sys", "tempfile", "hashlib", "pathlib"}
        allowed |= {"platformdirs"}
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        assert {name.split(".")[0] for name in names} <= allowed, path
    assert all(name.startswith("bench.kernels") for name in imports_of(path)), path


IO_FREE = [
    path
    for path in SOURCES
    if room_of(module_of(path)) not in {"link", "ledger", "report"} | FACES
]
ASKS = {"open", "input", "print"}
CLOCKS = {"time", "datetime", "socket", "subprocess", "serial", "select", "termios"}


@pytest.mark.parametrize("path", IO_FREE, ids=module_of)
def test_no_io_and_no_time_below_the_links(path):
    """What does no input or output and asks nobody for the time cannot be surprised."""
    allowed = {
        "bench.base.clock": {"time"},  # the one place that asks
        "bench.trial.soak.records": {"datetime"},  # writes out an instant it is given
    }.get(module_of(path), set())
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in ASKS, f"{path}:{node.lineno}"
        names = []
        if isinstance(node, ast.ImportFrom):
            names = [node.module or ""]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        used = {name.split(".")[0] for name in names} & CLOCKS
        assert used <= allowed, f"{path} imports {used}"
