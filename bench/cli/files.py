"""Files of a command: a recording to play, a firmware to know again, what it writes."""

from __future__ import annotations

import os
from contextlib import suppress
from hashlib import sha256
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.base.errors import ExitCode, Fault, LedgerError, UsageError
from bench.cli.told import put

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NUMPY_MAGIC = b"\x93NUMPY"


def digest(name: str, where: str) -> str:
    """The SHA-256 of a file, in hexadecimal.

    Args:
        name: The file.
        where: The option that names it.

    Raises:
        UsageError: If it cannot be read.
    """
    return sha256(_octets(name, where)).hexdigest()


def recording_of(name: str) -> tuple[NDArray[Any], str]:
    """The frames of a recording, and its digest.

    Args:
        name: A file of raw octets, one payload after another in the order in which
            they are sent; or a .npy file of uint8, flat or of shape (frames, nodes,
            payload).

    Raises:
        UsageError: If it cannot be read, or holds anything else.
    """
    import numpy as np

    where = f"--play {name}"
    octets = _octets(name, "--play")
    known = sha256(octets).hexdigest()
    if not octets.startswith(_NUMPY_MAGIC):
        return _fitting(np.frombuffer(octets, np.uint8), where), known
    try:
        array = np.load(BytesIO(octets), allow_pickle=False)
    except (ValueError, EOFError, OSError) as error:
        fault = Fault("damaged .npy file", where=where)
        raise UsageError(fault) from error
    return _fitting(array, where), known


def _fitting(array: NDArray[Any], where: str) -> NDArray[Any]:
    """A recording that some profile may play.

    Raises:
        UsageError: If it is of another kind, or empty.
    """
    import numpy as np

    if array.dtype != np.uint8:
        fault = Fault("recording is not octets", str(array.dtype), "uint8", where)
        raise UsageError(fault)
    if array.ndim not in (1, 3):
        shape = " x ".join(str(size) for size in array.shape) or "a single number"
        expected = "frames x nodes x octets of payload, or flat"
        raise UsageError(Fault("recording of no shape", shape, expected, where))
    if array.size == 0:
        raise UsageError(Fault("empty recording", where=where))
    return np.array(array, np.uint8)


def _octets(name: str, where: str) -> bytes:
    """All of a file.

    Raises:
        UsageError: If it cannot be read.
    """
    try:
        return Path(name).read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = error.strerror if isinstance(error, OSError) else str(error)
        what = f"cannot read the file ({str(reason).lower()})"
        raise UsageError(Fault(what, name, where=where)) from error


# --- written --------------------------------------------------------------------------


def deliver(text: str | bytes, name: str | None) -> int:
    """Write a text into a file, or on standard output; the exit code.

    Args:
        text: The text, its last line ended; octets that are no text only into a file.
        name: The file; None or "-" for standard output.

    Raises:
        LedgerError: If the file cannot be written; it is then as it was.
    """
    octets = text.encode() if isinstance(text, str) else text
    if name is None or name == "-":
        return put(octets.decode().removesuffix("\n"))
    try:
        _replace(Path(name), octets)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        reason = error.strerror if isinstance(error, OSError) else str(error)
        fault = Fault("result not written", str(reason), where=f"-o {name}")
        raise LedgerError(fault) from error
    return int(ExitCode.PASS)


def _replace(path: Path, octets: bytes) -> None:
    """Put octets under a name, all of them or none.

    A link is followed.  What is no plain file, a pipe or a device, is written into.
    """
    path = path.resolve()
    if path.exists() and not path.is_file():
        path.write_bytes(octets)
        return
    draft = path.with_name(f".{path.name}.{os.getpid()}.draft")
    try:
        draft.write_bytes(octets)
        with suppress(FileNotFoundError):
            draft.chmod(path.stat().st_mode)
        draft.replace(path)
    except OSError:
        with suppress(OSError):
            draft.unlink()
        raise
