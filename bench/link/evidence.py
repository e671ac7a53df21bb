"""What a link knows beside the columns: about itself, and about nodes.

It goes into the verdict: figures as they are, findings as faults of a node that no late
host can have caused, reasons why the bench did not do what the plan says, and notes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a link found out.

    Attributes:
        figures: Strict JSON for the verdict's "link"; None for what was not observable.
        findings: Faults of nodes, a sentence each, the first to act on first: "answered
            37 of 40 packets for address 9, which is nobody's".
        void: Why the bench did not do what the plan says.
        notes: What a reader has to know beside the numbers.
        moments: Those of the reasons in `void` that hold for moments of the trial, each
            of which is counted in the link's `counts` as well.
    """

    figures: Mapping[str, Any] = field(default_factory=dict)
    findings: tuple[str, ...] = ()
    void: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    moments: tuple[str, ...] = ()

    def __add__(self, other: Evidence) -> Evidence:
        return Evidence(
            {**self.figures, **other.figures},
            self.findings + other.findings,
            self.void + other.void,
            self.notes + other.notes,
            self.moments + other.moments,
        )


NO_EVIDENCE = Evidence()
"""What a link says that hides nothing and had nothing to overcome."""
