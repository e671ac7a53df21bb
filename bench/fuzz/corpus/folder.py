"""A corpus: a folder of case files, and in it one for those that no longer fail.

What cannot be used is told in a line each and left where it is: a damaged file, one of
a newer version, one of another profile.  A disk that is full costs the file that was
to be written and nothing else; the case is then in the ledger of its campaign alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bench.base.errors import Fault, UsageError
from bench.base.units import shown
from bench.fuzz.corpus.text import MOST_OCTETS, Kept, case_text, kept_of
from bench.ledger.files import DISK, write_whole

if TYPE_CHECKING:
    from pathlib import Path

    from bench.ledger.files import Files

ENDING = ".case"

MENDED = "mended"
"""The folder within for cases that no longer fail."""


@dataclass(frozen=True, slots=True)
class Opened:
    """What a corpus holds.

    Attributes:
        cases: Path and case of each file that can be replayed, those with the fewest
            rows first.
        faults: What is wrong with the others, a line each.
    """

    cases: tuple[tuple[Path, Kept], ...] = ()
    faults: tuple[Fault, ...] = field(default=())


class Corpus:
    """A folder of cases."""

    def __init__(self, folder: Path, files: Files = DISK) -> None:
        self.folder = folder
        self._files = files

    def open(self, digest: str | None = None) -> Opened:
        """Read all its files; a folder that is not there holds none.

        Args:
            digest: Of the profile that cases have to be of; of any unless given.

        Raises:
            UsageError: If the folder cannot be read.
        """
        try:
            paths = sorted(self.folder.glob(f"*{ENDING}"))
            if not paths and self.folder.exists() and not self.folder.is_dir():
                raise NotADirectoryError(20, "not a folder")
        except OSError as error:
            raise UsageError(self._fault("corpus cannot be read", error)) from error
        cases, faults = [], []
        for path in paths:
            try:
                kept = read_case(path)
                refuse_other(kept, digest, path)
            except UsageError as error:
                faults.append(error.fault)
            else:
                cases.append((path, kept))
        cases.sort(key=lambda one: (len(one[1].rows), one[0].name))
        return Opened(tuple(cases), tuple(faults))

    def keep(self, kept: Kept) -> Path:
        """Write a case; one that is there already, also among the mended, comes back.

        Raises:
            UsageError: If it cannot be written.
        """
        path = self.folder / kept.name
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            write_whole(self._files, path, case_text(kept))
            self._files.discard(self.folder / MENDED / kept.name)
        except OSError as error:
            raise UsageError(self._fault("case not kept", error)) from error
        return path

    def mend(self, path: Path) -> Path:
        """Move a case that no longer fails to the others of that kind.

        Raises:
            UsageError: If it cannot be moved; it stays where it is then.
        """
        there = self.folder / MENDED
        try:
            there.mkdir(exist_ok=True)
            self._files.rename(path, there / path.name)
        except OSError as error:
            raise UsageError(self._fault("case not moved", error)) from error
        return there / path.name

    def _fault(self, what: str, error: OSError) -> Fault:
        reason = (error.strerror or str(error)).lower()
        return Fault(what, reason, where=str(self.folder))


def read_case(path: Path) -> Kept:
    """The case of a file.

    Raises:
        UsageError: If there is none.
    """
    try:
        with path.open("rb") as file:
            octets = file.read(MOST_OCTETS + 1)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        fault = Fault("case cannot be read", reason, where=str(path))
        raise UsageError(fault) from error
    return kept_of(octets, str(path))


def refuse_other(kept: Kept, digest: str | None, path: Path) -> None:
    """Refuse a case of another profile.

    Raises:
        UsageError: If it is of one.
    """
    if digest in (None, kept.digest):
        return
    named = shown(" ".join([kept.profile, *kept.sets]))
    what = "case of another profile"
    mend = "what its rows mean depends on packets and nodes"
    raise UsageError(Fault(what, named, f"digest {digest}", str(path), mend))
