"""A coverage-guided fuzzer on the bench's own decoders and file readers.

Ten minutes a target, or NIGHTBENCH_OWN_S seconds.  Without the fuzzer the targets are
tried on what a fuzzer would begin with, and the others are skipped visibly.
"""

from __future__ import annotations

import os
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from fuzz_own.targets import TARGETS, seeds

HERE = Path(__file__).parent
SECONDS = int(os.environ.get("NIGHTBENCH_OWN_S", "600"))


@pytest.mark.parametrize("name", TARGETS)
def test_what_a_fuzzer_begins_with(name):
    """Each target takes sound inputs, and cut and damaged ones."""
    target = TARGETS[name]
    for octets in (*seeds(name), b"", b"\0" * 64, bytes(range(256))):
        target(octets)
        target(octets[: len(octets) // 2])
        target(octets[:7] + b"\xff" + octets[8:])


@pytest.mark.night
@pytest.mark.parametrize("name", TARGETS)
def test_guided(name, tmp_path):
    """No input that it comes upon crashes a target."""
    if find_spec("atheris") is None:
        pytest.skip("the fuzzer is not installed: atheris")
    folder = tmp_path / "inputs"
    folder.mkdir()
    words = [sys.executable, str(HERE / "guided.py"), name, str(SECONDS), str(folder)]
    done = subprocess.run(
        words, cwd=tmp_path, capture_output=True, timeout=SECONDS + 600, check=False
    )
    assert done.returncode == 0, done.stderr.decode(errors="replace")[-4000:]
