"""Rules about kernels are checked, not remembered."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import bench

KERNELS = Path(bench.__file__).parent / "kernels"
TWINS = Path(__file__).parent.parent / "twins"

DECORATORS = {"kernel", "part", "melted", "inner", "aside"}

TWIN_OF = {
    "checks": "checks_twin",
    "histogram": "histogram_twin",
    "match": "match_twin",
    "rings": "match_twin",
    "packets": "packet_twin",
    "payload": "payload_twin",
    "philox": "philox_twin",
    "prbs": "prbs_twin",
    "schedule": "schedule_twin",
    "line": "schedule_twin",
    "fuzz": "fuzz_twin",
    "node": "node_twin",
    "words": "philox_twin",
    "pointers": "node_twin",
}
"""Which plain twin a kernel module, or folder of modules, is held against."""

SOURCES = sorted(set(KERNELS.rglob("*.py")) - {KERNELS / "jit.py"})


def room(path: Path) -> str:
    """The top module or folder of a kernel source."""
    return path.relative_to(KERNELS).parts[0].removesuffix(".py")


def functions(path: Path) -> list[ast.FunctionDef]:
    """The functions of a source that numba compiles."""
    compiled = []
    for node in ast.parse(path.read_text("utf-8")).body:
        if isinstance(node, ast.FunctionDef):
            names = {
                part.id for part in node.decorator_list if isinstance(part, ast.Name)
            }
            if names & DECORATORS:
                compiled.append(node)
    return compiled


def test_every_kernel_has_a_twin():
    """Each module that numba compiles names a twin, which is there and is tested."""
    for path in SOURCES:
        if functions(path):
            twin = TWIN_OF[room(path)]
            assert (TWINS / f"{twin}.py").exists(), path
    tests = "".join(path.read_text("utf-8") for path in TWINS.glob("test_*.py"))
    assert {twin for twin in TWIN_OF.values() if twin not in tests} == set()


def test_twins_import_nothing_of_the_bench():
    """They are written from the definition; the node's may use the sans-IO decoder."""
    decoder = {"bench.wire.decoder", "bench.wire.format"}
    for path in [*TWINS.glob("*_twin.py"), *TWINS.glob("node_twin_*.py")]:
        if path.name.startswith("test_"):
            continue
        allowed = decoder if path.name == "node_twin_processor.py" else set()
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                modules = {node.module}
            elif isinstance(node, ast.Import):
                modules = {alias.name for alias in node.names}
            else:
                continue
            used = {name for name in modules if name.split(".")[0] == "bench"}
            assert used <= allowed, path


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_no_slice_is_assigned_in_a_kernel(path):
    """It costs a second to compile and is slower than the loop."""
    for function in functions(path):
        for node in ast.walk(function):
            if isinstance(node, ast.Assign):
                for target in node.targets:
                    sliced = isinstance(target, ast.Subscript) and isinstance(
                        target.slice, ast.Slice
                    )
                    assert not sliced, f"{path}:{node.lineno}"
