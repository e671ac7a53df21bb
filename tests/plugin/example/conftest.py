"""Builds the firmware for this machine, with the header of its profile."""

import subprocess
from pathlib import Path

import pytest

import bench

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def build(nightbench_profile, nightbench_vectors, tmp_path_factory):
    """A function that builds a program of one C file."""
    folder = tmp_path_factory.mktemp("build")
    (folder / "bollards.h").write_text(bench.header(nightbench_profile))
    nightbench_vectors.write(folder / "bollards_vectors.h")

    def built(source):
        program = folder / Path(source).stem
        warnings = ["-std=c99", "-Wall", "-Wextra", "-pedantic", "-Werror"]
        words = ["gcc", *warnings, "-I", folder, "-I", HERE, HERE / source]
        subprocess.run([*words, "-o", program], check=True)
        return program

    return built


@pytest.fixture(scope="session")
def nightbench_child_command(build):
    """The firmware as a program."""
    return build("node.c")
