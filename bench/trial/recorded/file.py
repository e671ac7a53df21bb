"""A recording of a bus: the file in which it is kept.

Version 1::

    nightbench recording 1 LF
    CHECK SP {"recording": 1, "bus": {…}, "profile_digest": "…", …} LF
    chunk, chunk, …

The second line is one of the ledger's: CRC-32/ISO-HDLC in eight hexadecimal digits, a
space, canonical JSON.  A chunk is what one read returned, its numbers little-endian::

    4 octets  size of the body          4 octets  CRC-32/ISO-HDLC of the body
    body:  8 octets  ns of the listening at which the read returned
           4 octets  number of flaws    5 octets each: place in the octets, `Flaw`
           the octets (00h for a break)

A file is only ever appended to, so any prefix that holds the two lines is a recording.
A reader stops at the first chunk that is not whole or not sound, and says where.

Sans-IO: who writes and who reads hands in a function.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zlib import crc32

from bench.base.columns import Flaw
from bench.base.errors import Fault, UsageError
from bench.ledger.lines import line_of, record_of
from bench.link.transport import Heard
from bench.profile import profile_digest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from bench.profile import Profile

VERSION = 1

_MAGIC = b"nightbench recording %d\n"

_SIZE = struct.Struct("<II")
_HEAD = struct.Struct("<qI")
_FLAW = struct.Struct("<IB")

_LONGEST_HEADER = 1 << 16
_LONGEST_BODY = 1 << 26
"""A size beyond these is damage: no read is so long, and no profile's bus."""

_BUS = ("baud", "data_bits", "parity", "stop_bits")
"""What a line has to be like for a recording to be put on it."""


# --- written --------------------------------------------------------------------------


class Recorder:
    """Writes a recording, read after read.

    Attributes:
        characters: Written so far.
    """

    def __init__(
        self,
        write: Callable[[bytes], object],
        profile: Profile,
        facts: Mapping[str, Any] | None = None,
    ) -> None:
        """Write the head.

        Args:
            write: Appends octets, all of them or raises.
            profile: The profile that was listened with.
            facts: More to be kept in the header, as JSON.
        """
        self._write = write
        self.characters = 0
        header = {
            **(facts or {}),
            "recording": VERSION,
            "profile": profile.name,
            "profile_digest": profile_digest(profile),
            "bus": _bus_of(profile),
        }
        write(_MAGIC % VERSION + line_of(header))

    def keep(self, heard: Heard, at_ns: int) -> None:
        """Write one read.

        Args:
            heard: It.
            at_ns: When it returned, in ns of the listening; never goes back.
        """
        flaws = b"".join(_FLAW.pack(at, kind) for at, kind in heard.flaws)
        body = _HEAD.pack(at_ns, len(heard.flaws)) + flaws + heard.octets
        self._write(_SIZE.pack(len(body), crc32(body)) + body)
        self.characters += len(heard.octets)


def _bus_of(profile: Profile) -> dict[str, Any]:
    return {word: getattr(profile.bus, word) for word in _BUS}


# --- read -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Torn:
    """Where a recording ends in the middle.

    Attributes:
        offset: Octets of the file before it.
        why: What is there.
    """

    offset: int
    why: str


class Recording:
    """A recording that is read from its beginning.

    Attributes:
        header: Its facts.
        torn: Why it ended before its end; None as long as it did not.
    """

    def __init__(self, read: Callable[[int], bytes], where: str = "") -> None:
        """Read the head.

        Args:
            read: Returns the next so many octets of the file, fewer only at its end.
            where: What the file is called, for faults.

        Raises:
            UsageError: If it is no recording, or one of a later version.
        """
        self._read = read
        self.torn: Torn | None = None
        magic = read(len(_MAGIC % VERSION))
        if magic != _MAGIC % VERSION:
            words = magic.split(b" ")
            ours = words[:2] == [b"nightbench", b"recording"]
            what = "recording of another version" if ours else "not a recording"
            raise UsageError(Fault(what, "", f"version {VERSION}", where))
        line = bytearray()
        while not line.endswith(b"\n") and len(line) < _LONGEST_HEADER:
            if not (octet := read(1)):
                break
            line += octet
        header = record_of(bytes(line[:-1]))
        if header is None or not isinstance(header.get("bus"), dict):
            raise UsageError(Fault("recording with a damaged head", where=where))
        self.header = header
        self._offset = len(magic) + len(line)
        self._at_ns = 0

    def refuse_other_line(self, profile: Profile) -> None:
        """Refuse a profile whose line this recording is not of.

        Raises:
            UsageError: Naming the first difference.
        """
        for word, wanted in _bus_of(profile).items():
            was = self.header["bus"].get(word)
            if was != wanted:
                mend = f"--set bus.{word}={was}, or the profile it was made with"
                what = "recording of another line"
                fault = Fault(what, str(was), str(wanted), f"bus.{word}", mend)
                raise UsageError(fault)

    def reads(self) -> Iterator[tuple[Heard, int]]:
        """Every read that is whole and sound, with its ns of the listening."""
        while (size := self._read(_SIZE.size)) != b"":
            body = b""
            if len(size) == _SIZE.size:
                octets, check = _SIZE.unpack(size)
                if octets > _LONGEST_BODY:
                    return self._tear("a size that no chunk has")
                body = self._read(octets)
            if len(size) < _SIZE.size or len(body) < octets:
                return self._tear("half a chunk")
            read = _read_of(body) if crc32(body) == check else None
            if read is None or read[1] < self._at_ns:
                return self._tear("a damaged chunk")
            self._at_ns = read[1]
            self._offset += len(size) + len(body)
            yield read
        return None

    def _tear(self, why: str) -> None:
        self.torn = Torn(self._offset, why)


def _read_of(body: bytes) -> tuple[Heard, int] | None:
    """What a body holds; None if that makes no sense."""
    if len(body) < _HEAD.size:
        return None
    at_ns, count = _HEAD.unpack_from(body)
    start = _HEAD.size + count * _FLAW.size
    if start > len(body):
        return None
    octets = body[start:]
    flaws = tuple(_FLAW.iter_unpack(body[_HEAD.size : start]))
    known = {int(flaw) for flaw in Flaw}
    if any(at >= len(octets) or kind not in known for at, kind in flaws):
        return None
    places = [at for at, _ in flaws]
    if places != sorted(set(places)):
        return None
    return Heard(octets, at_ns, flaws), at_ns
