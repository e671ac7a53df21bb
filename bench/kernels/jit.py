"""How kernels are compiled, and where the compiled ones are kept.

Compiled code is kept between runs in a folder of the user's cache, named by a digest of
every kernel source, the versions of numba and numpy, and whether indexes are checked.
That is coarser than numba's own book-keeping on purpose: it does not notice that a
helper in another file was edited, nor that the checking of indexes was switched.

Where no folder can be written (a read-only install without a home), kernels are
compiled into a private temporary folder that goes when the process ends.
"""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from hashlib import blake2b
from pathlib import Path

import numba
import numpy as np

__all__ = [
    "CACHE",
    "COLD",
    "KEPT",
    "aside",
    "clean_up",
    "inner",
    "is_kept",
    "kernel",
    "melted",
    "part",
]


def _digest() -> str:
    """What the compiled code depends on."""
    state = blake2b(digest_size=12)
    checked = os.environ.get("NUMBA_BOUNDSCHECK", "")
    for part in (numba.__version__, np.__version__, sys.version, checked):
        state.update(part.encode() + b"\0")
    for source in sorted(Path(__file__).parent.rglob("*.py")):
        state.update(source.name.encode() + b"\0" + source.read_bytes())
    return state.hexdigest()


def _user_cache() -> Path:
    """The folder for cached data of this user, or the one that a variable names."""
    if named := os.environ.get("NIGHTBENCH_CACHE"):
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_cache_dir("nightbench"))


def _writable(folder: Path) -> bool:
    """Whether files can be made in a folder, which is made if need be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _cache_folder() -> tuple[Path, bool]:
    """The folder for compiled kernels, and whether it outlives the process."""
    folder = _user_cache() / _digest()
    if _writable(folder):
        return folder, True
    return Path(tempfile.mkdtemp(prefix="nightbench-kernels-")), False


CACHE, KEPT = _cache_folder()
"""Where compiled kernels are, and whether they are kept for the next process."""

COLD = not any(CACHE.rglob("*.nbi"))
"""Whether they must be compiled first."""


def is_kept(entry: str) -> bool:
    """Whether one kernel is compiled already.

    Args:
        entry: Module and function, "lay.lay" for instance.
    """
    return any(CACHE.rglob(f"{entry}-*.nbi"))


def clean_up() -> None:
    """Remove compiled kernels that are not kept; for a process that ends abruptly."""
    if not KEPT:
        shutil.rmtree(CACHE, ignore_errors=True)


atexit.register(clean_up)

numba.config.CACHE_DIR = str(CACHE)  # type: ignore[attr-defined]


def kernel(function):
    """Compile an entry: a function over whole columns that Python calls; it is kept.

    Args:
        function: Plain loops over arrays and records: no object, no allocation inside a
            loop, no assignment to a slice (it costs a second to compile and is slower).
    """
    return numba.njit(function, cache=True, nogil=True, error_model="numpy")


def part(function):
    """Compile a part of a kernel, kept within the kernels that call it.

    Args:
        function: As for `kernel`.
    """
    return numba.njit(function, nogil=True, error_model="numpy")


def melted(function):
    """Compile a part that is too small to be called: it melts into its callers.

    Args:
        function: As for `kernel`.
    """
    return numba.njit(function, nogil=True, error_model="numpy", forceinline=True)


def inner(function):
    """Compile a part of a kernel, to be melted into the kernels that call it.

    Handing a dozen arrays to a function costs as much as building a short packet: they
    are copied, and references to them counted.  Here neither is done.

    Args:
        function: As for `kernel`; besides, it must not make an array anywhere.
    """
    return numba.njit(
        function,
        nogil=True,
        error_model="numpy",
        forceinline=True,
        _nrt=False,
    )


def aside(function):
    """Compile a part of a kernel that is called, for what comes seldom.

    As `inner`, but it does not melt into its callers: that takes long to compile where
    it is large, and gains nothing.

    Args:
        function: As for `inner`.
    """
    return numba.njit(function, nogil=True, error_model="numpy", _nrt=False)
