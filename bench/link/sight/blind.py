"""Who sees nothing, and says why: a verdict of its trial says what has to be set."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bench.base.columns import DROPPED, LOST, SHOWN, Seen, no_octets, no_rows
from bench.link.evidence import Evidence
from bench.link.observes import Observes

if TYPE_CHECKING:
    from bench.base.columns import Line, Sent
    from bench.link.transport import Heard


class BlindSighter:
    """Sees nothing."""

    def __init__(self, why: str) -> None:
        """Nothing to come.

        Args:
            why: Why nothing can be seen, as a reason of a void trial.
        """
        self._why = why
        self._octets = 0

    @property
    def observes(self) -> Observes:
        """See `Sighter`."""
        return Observes(
            shown=False,
            data=False,
            clocks=False,
            marginal=False,
            times=False,
            dropped=False,
            lost=False,
        )

    def sent(self, line: Line, sent: Sent) -> None:
        """See `Sighter`."""

    def heard(self, heard: Heard, at_ns: int) -> None:  # noqa: ARG002
        """See `Sighter`."""
        self._octets += len(heard.octets)

    def seen(self, until_ns: int) -> Seen:
        """See `Sighter`."""
        return Seen(
            no_rows(SHOWN), no_octets(), no_rows(DROPPED), no_rows(LOST), until_ns
        )

    def evidence(self) -> Evidence:
        """See `Sighter`."""
        notes: tuple[str, ...] = ()
        if self._octets:
            notes = (f"{self._octets} octets were heard that nobody looked at",)
        return Evidence({}, (), (self._why,), notes)
