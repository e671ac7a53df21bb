"""Evidence in, causes out."""

from __future__ import annotations

import numpy as np
import pytest

from bench.base import columns
from bench.base.columns import Doing, Drop
from bench.judge.causes import Causes, Evidence
from bench.judge.words import text_of

LONGEST = 100

AFTER = "swallowed while the receiver resynchronised after"


def evidence(
    dropped: list[tuple[int, int, Drop]] | None = None,
    lost: list[tuple[int, Doing]] | None = None,
    *,
    node: int = 1,
    observable: bool = True,
) -> Evidence:
    """What a node confesses: (begin, end, reason) and (character, doing)."""
    told = Evidence(3, LONGEST, dropped=observable, lost=observable)
    told.add(
        columns.Seen(
            columns.no_rows(columns.SHOWN),
            columns.no_octets(),
            np.array(
                [(0, first, end, node, why) for first, end, why in dropped or ()],
                columns.DROPPED,
            ),
            np.array([(at, 0, node, doing) for at, doing in lost or ()], columns.LOST),
            0,
        )
    )
    return told


def cause(told: Evidence, first: int = 500, end: int = 560, node: int = 1) -> str:
    """The cause of the loss of one packet."""
    return text_of(told.explain(node, np.array([first]), np.array([end]))[0])


@pytest.mark.parametrize(
    ("dropped", "lost", "text"),
    [
        ([], [], "cause not known"),
        # A packet's own characters come first, and the first of them says how.
        (
            [(500, 560, Drop.BAD_CHECK)],
            [(559, Doing.COMPLETE), (510, Doing.RECEIVE_BODY)],
            "receiver overrun while in the receive handler",
        ),
        (
            [],
            [(500, Doing.WAITING)],
            "receiver overrun while the receive interrupt waited to be served",
        ),
        # The node's reason, also where a break or a delimiter comes before the packet.
        ([(500, 560, Drop.NO_RECEIVE_BUFFER)], [], "no receive buffer free"),
        ([(501, 560, Drop.BAD_STUFFING)], [], "bad stuffing"),
        (
            [(500, 560, Drop.LATCH_GAP_SHORT)],
            [],
            "latch gap short: shifted through by the next burst",
        ),
        # It outweighs what happened before.
        (
            [(440, 500, Drop.BAD_CHECK), (500, 560, Drop.WRONG_SIZE)],
            [(450, Doing.RECEIVE_EXIT)],
            "payload that does not fill the lanes",
        ),
        # Swallowed after an earlier packet, the overrun being the root of it.
        ([(440, 520, Drop.BAD_CHECK)], [], f"{AFTER} failed check"),
        (
            [(440, 520, Drop.BAD_LENGTH)],
            [(445, Doing.RECEIVE_ENTRY)],
            f"{AFTER} receiver overrun while entering the receive handler",
        ),
        # What the node took for a packet inside this one is only the consequence.
        (
            [(440, 470, Drop.PAUSE), (530, 540, Drop.BAD_LENGTH)],
            [],
            f"{AFTER} silence inside the packet",
        ),
        ([(530, 540, Drop.BAD_LENGTH)], [], "bad length"),
        # After a sound packet nothing is looked for.
        ([(440, 500, Drop.NO_PORT_WORDS)], [], "cause not known"),
        # No further back than the longest packet, and nothing from after it.
        ([(399, 410, Drop.BAD_CHECK)], [(399, Doing.COMPLETE)], "cause not known"),
        ([(400, 410, Drop.BAD_CHECK)], [], f"{AFTER} failed check"),
        ([(560, 600, Drop.BAD_CHECK)], [(560, Doing.COMPLETE)], "cause not known"),
    ],
)
def test_order_of_evidence(
    dropped: list[tuple[int, int, Drop]], lost: list[tuple[int, Doing]], text: str
) -> None:
    """The strongest piece of evidence gives the cause, in whatever order it came."""
    assert cause(evidence(dropped, lost)) == text
    assert cause(evidence(dropped[::-1], lost[::-1])) == text


def test_other_nodes_are_no_evidence() -> None:
    """What one node lost says nothing about another."""
    told = evidence([(500, 560, Drop.BAD_CHECK)], [(510, Doing.COMPLETE)], node=2)
    assert cause(told) == "cause not known"


def test_silence_is_not_evidence() -> None:
    """A link that hears no confessions cannot observe a cause."""
    assert cause(evidence(observable=False)) == "cause not observable"


def test_which_characters_were_lost() -> None:
    """Counted from the first character of the packet."""
    told = evidence(lost=[(at, Doing.COMPLETE) for at in (499, 500, 507, 559, 560)])
    assert told.lost_within(1, 500, 560) == [0, 7, 59]


def test_forgets_what_is_no_evidence_any_more() -> None:
    """Evidence stays while a packet that still waits may need it, and goes then."""
    told = evidence([(500, 560, Drop.BAD_CHECK)], [(510, Doing.COMPLETE)])
    told.forget(510 + LONGEST)
    assert cause(told) == "receiver overrun while in the transfer-complete handler"
    told.forget(511 + LONGEST)
    assert cause(told) == "failed check"
    told.forget(500 + 2 * LONGEST)
    assert cause(told) == "failed check"
    told.forget(501 + 2 * LONGEST)
    assert cause(told) == "cause not known"


def test_tally_of_causes() -> None:
    """Counted by cause, the most frequent first, with the earliest example."""
    tally = Causes()
    tally.add("lost", "failed check", (30, 1), {"packet": 3}, 2)
    tally.add("lost", "failed check", (20, 2), {"packet": 2})
    tally.add("lost", "failed check", (20, 3), {"packet": 4})
    tally.add("stray", "holds no packet sent lately", (5, 0), {}, 9)
    tally.add("lost", "bad length", (1, 0), {})
    tally.take_back("lost", "bad length")
    tally.take_back("lost", "failed check")
    assert tally.as_list() == [
        {
            "what": "stray",
            "cause": "holds no packet sent lately",
            "count": 9,
            "first": {"ns": 5},
        },
        {
            "what": "lost",
            "cause": "failed check",
            "count": 3,
            "first": {"ns": 20, "packet": 2},
        },
    ]


def test_causes_are_bounded() -> None:
    """Foreign addresses could be any number: past a limit they are told together."""
    tally = Causes()
    for address in range(1000):
        tally.add("stray", f"holds a packet for foreign address {address}", (0, 0), {})
    told = tally.as_list()
    assert len(told) == 65
    assert (told[0]["cause"], told[0]["count"]) == ("other causes", 1000 - 64)
