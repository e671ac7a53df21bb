"""Line errors in a terminal's input stream: FFh marks, taken apart.  Sans-IO.

With PARMRK set (POSIX, termios) a terminal writes a received octet FFh as FF FF, an
octet with a parity or framing error as FF 00 and the octet, and a break as FF 00 00.
A mark may be cut at any place by a read, so what is left over waits for the next one.

A framing error on an octet 00h and a break look the same: it is called a break.  Parity
and framing look the same too; the driver's counters tell them apart where there are
any.
"""

from __future__ import annotations

from bench.base.columns import Flaw

MARK = 0xFF
FLAWED = 0x00


class Marks:
    """Takes one port's input stream apart.

    Args:
        flaw: What to call a marked character that is not 00h: `PARITY` on a line with
            parity, `FRAMING` on one without, `ADDRESS` where a wrong parity bit is the
            ninth bit.
    """

    def __init__(self, flaw: Flaw = Flaw.FRAMING) -> None:
        self._flaw = flaw
        self._left = b""
        self.flawed = self.breaks = self.strange = 0

    def feed(self, raw: bytes) -> tuple[bytes, tuple[tuple[int, int], ...]]:
        """The characters in what came, and which of them are flawed.

        Returns:
            Octets (00h for a break) and pairs of an index into them and a `Flaw`.
        """
        if not self._left and MARK not in raw:
            return raw, ()
        raw, self._left = self._left + raw, b""
        octets, flaws = bytearray(), []
        at, end = 0, len(raw)
        while at < end:
            mark = raw.find(MARK, at)
            if mark < 0:
                octets += raw[at:]
                break
            octets += raw[at:mark]
            size = self._size(raw, mark)
            if mark + size > end:
                self._left = raw[mark:]
                break
            if size == 3:
                flaws.append((len(octets), int(self._kind(raw[mark + 2]))))
            octets.append(raw[mark + size - 1] if size > 1 else MARK)
            at = mark + size
        return bytes(octets), tuple(flaws)

    def _size(self, raw: bytes, mark: int) -> int:
        """Octets of the group that begins at a mark; more than are there if cut."""
        if mark + 1 == len(raw):
            return 2
        second = raw[mark + 1]
        if second == FLAWED:
            return 3
        if second == MARK:
            return 2
        # No terminal writes this: marks were off when it came. The octet is an octet.
        self.strange += 1
        return 1

    def _kind(self, octet: int) -> Flaw:
        if octet == 0 and self._flaw is not Flaw.ADDRESS:
            self.breaks += 1
            return Flaw.BREAK
        self.flawed += 1
        return self._flaw
