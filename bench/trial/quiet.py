"""The verdict on a line without packets: nobody may show anything.

The judge calls a trial without packets void, since it says nothing of loss.  Where the
nodes are watched it says something else: what they made of characters that are for
nobody.  Whatever they showed has already failed the trial.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from bench.judge.verdict import Outcome

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bench.judge.verdict import Verdict


def nothing_shown(verdict: Verdict, octet: int, void: Sequence[str] = ()) -> Verdict:
    """The verdict on one octet over and over.

    Args:
        verdict: What the judge says, which knows of packets only.
        octet: What was sent.
        void: Why the bench did not do what the plan says.
    """
    characters = verdict.figures["line"]["characters"]
    if verdict.outcome is not Outcome.VOID:
        return verdict
    if void:
        return replace(verdict, reason=void[0], void=tuple(void))
    sent = f"{characters} characters of {octet:02X}h were sent"
    if not characters:
        reason = "nothing was sent"
    elif verdict.figures["packets"]["shown"] is None:
        reason = f"{sent}; what becomes of them is not observable: nobody listens"
    else:
        listeners = [node for node in verdict.figures["nodes"] if node["observed"]]
        who = f"none of {len(listeners)} nodes that listened"
        return replace(
            verdict,
            outcome=Outcome.PASS,
            reason=f"{sent}, and {who} showed anything",
            void=(),
        )
    return replace(verdict, reason=reason, void=(reason,))
