"""What is known of a rig by the name of its link: the latest qualification.

    logs/rigs/<name>-<digest>.json

A verdict over that link quotes it.  The file is a short copy and is replaced by the
next qualification; the whole of each stays in its run's folder.
"""

from __future__ import annotations

import re
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from bench.base.errors import Fault, LedgerError
from bench.ledger.files import DISK, Files, write_whole
from bench.ledger.lines import parsed, pretty

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FOLDER = "rigs"

_LONGEST = 40


def keep_rig(
    logs: Path, link_name: str, record: Mapping[str, Any], files: Files = DISK
) -> Path:
    """Keep what is known of a rig, in place of what was known before.

    Args:
        logs: The folder of all runs.
        link_name: The link as it is named.
        record: Strict JSON.
        files: The file system.

    Returns:
        The file.

    Raises:
        LedgerError: If it cannot be written; what was there before still is.
    """
    path = _path(logs, link_name)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(files, path, pretty({**record, "link": link_name}))
    except OSError as error:
        fault = Fault("rig not kept", error.strerror or str(error), where=str(path))
        raise LedgerError(fault) from error
    return path


def known_rig(link_name: str, logs: Path) -> dict[str, Any] | None:
    """What is known of the rig at a link; None if it was never qualified here.

    A file that cannot be read, or is of another link, is no knowledge.
    """
    try:
        octets = _path(logs, link_name).read_bytes()
    except OSError:
        return None
    record = parsed(octets.strip())
    if record is None or record.get("link") != link_name:
        return None
    return record


def _path(logs: Path, link_name: str) -> Path:
    """A name that any file system takes, and that no two links share."""
    plain = re.sub(r"[^a-z0-9]+", "-", link_name.lower()).strip("-")[:_LONGEST]
    digest = sha256(link_name.encode()).hexdigest()[:8]
    return logs / FOLDER / f"{plain or 'link'}-{digest}.json"
