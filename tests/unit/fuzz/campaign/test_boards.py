"""Cases on boards, in simulated time: a board that dies, and what is then done."""

from __future__ import annotations

import numpy as np
import pytest

from bench.base.clock import JumpClock
from bench.base.errors import Fault, LinkError
from bench.fuzz.attacks import Attacks
from bench.fuzz.campaign.boards import Boards, Dead
from bench.fuzz.cases import Case, try_case
from bench.fuzz.oracles import Breach
from bench.fuzz.zoo import bad_nodes
from bench.fuzz.zoo.boards import board
from bench.node.link import SimulatedLink

BAD = Breach("unsound", "wrong", "nothing", "something")
DEAD = Breach("alive", "dead", "shown", "nothing")
CALM = Case(np.zeros((0, 3), np.int64), 0, 0)


def case_of(number: int = 1) -> Case:
    """A case with a row."""
    return Case(np.array([[1, 0, 1]], np.int64), 7, number)


class FakeLink:
    """Carries nothing."""

    name = "a board"
    most_octets = None

    def __init__(self) -> None:
        self.open = True

    def evidence(self):
        """Nothing is known."""
        from bench.link.evidence import NO_EVIDENCE

        return NO_EVIDENCE

    def close(self) -> None:
        """Let go."""
        self.open = False


class Tries:
    """A board that does as it is told, case after case."""

    def __init__(self, *does) -> None:
        self.does = list(does)
        self.cases: list[int] = []

    def __call__(self, case, attacks, link, patience):
        """The next thing that it does."""
        del attacks, link, patience
        self.cases.append(len(case.rows))
        done = self.does.pop(0) if self.does else []
        if isinstance(done, LinkError):
            raise done
        return done


def boards(tries, revive=None, name="a board"):
    """Boards at the far end of links that are kept in a list."""
    links = []

    def make():
        links.append(FakeLink())
        links[-1].name = name
        return links[-1]

    made = Boards(None, make, JumpClock(), revive, tries)
    return made, links


def test_a_good_case_is_tried_once():
    """Nothing more is asked of a board that broke nothing."""
    tries = Tries([])
    made, links = boards(tries)
    assert made.tried(case_of()) == []
    assert tries.cases == [1]
    assert len(links) == 1


def test_after_a_breach_the_board_is_asked_whether_it_lives():
    """Good traffic alone follows; one that shows it is alive."""
    tries = Tries([BAD], [])
    made, _ = boards(tries)
    assert made.tried(case_of()) == [BAD]
    assert tries.cases == [1, 0]
    assert not made.is_dead


def test_a_dead_board_ends_it():
    """Without a way to bring it back, that is told; nothing more is sent."""
    tries = Tries([BAD], [DEAD], [DEAD], [DEAD])
    made, _ = boards(tries)
    with pytest.raises(Dead, match=r"the board is dead: it shows nothing after case 5"):
        made.tried(case_of(5))
    assert made.is_dead
    assert tries.cases == [1, 0, 0, 0]


def test_a_dead_board_is_revived():
    """The command is run once, the link is opened anew, and it is asked again."""
    ran = []

    def revive():
        ran.append(1)
        return ""

    tries = Tries([DEAD], [DEAD], [DEAD], [])
    made, links = boards(tries, revive)
    assert made.tried(case_of()) == [DEAD]
    assert ran == [1]
    assert [link.open for link in links] == [False, True]
    assert (made.revived, made.is_dead) == (1, False)


def test_a_command_that_fails():
    """Then the board stays dead, and why is told."""
    tries = Tries([DEAD], [DEAD])
    made, _ = boards(tries, lambda: "the command failed: exit code 1")
    with pytest.raises(Dead, match="was not revived: the command failed"):
        made.tried(case_of())


def test_reviving_that_does_not_help():
    """It is looked for some time whether it is back, and not for ever."""
    tries = Tries(*[[DEAD]] * 99)
    made, _ = boards(tries, lambda: "")
    with pytest.raises(Dead, match="reviving it did not help"):
        made.tried(case_of())
    assert len(tries.cases) < 30


def test_a_link_that_is_lost():
    """The case is told, and the error goes on."""
    tries = Tries(LinkError(Fault("unplugged")))
    made, _ = boards(tries)
    with pytest.raises(LinkError) as caught:
        made.tried(case_of(9))
    assert caught.value.__notes__ == ["case 9 was the last one"]
    assert not made.is_dead


def test_a_program_that_ends_over_a_case_twice():
    """It was ended by it."""
    lost = LinkError(Fault("died by signal 11"))
    tries = Tries(lost, [], lost, [])
    made, links = boards(tries, name="child:./node")
    (found,) = made.tried(case_of())
    assert found.oracle == "gone"
    assert found.did == "died by signal 11"
    assert len(links) == 3


def test_a_program_that_ends_once():
    """What does not come again is no finding."""
    tries = Tries(LinkError(Fault("gone")), [], [])
    made, _ = boards(tries, name="child:./node")
    assert made.tried(case_of()) == []


# --- on simulated nodes ---------------------------------------------------------------


def test_case_after_case_on_one_link_is_as_each_by_itself():
    """A link that goes on breaks what a new one breaks, and shows the same time."""
    (bad,) = (node for node in bad_nodes() if node.name == "check-ignored")
    attacks = Attacks(board("causeway"))
    made = Boards(attacks, bad.make_link, JumpClock())
    only = ("check-value", "runt", "noise-before")
    cases = attacks.draw(3, 0, 12, only=only)
    for case in cases:
        with bad.make_link() as link:
            alone = try_case(case, attacks, link)
        assert made.tried(case) == alone
    assert made.at[1] > 0
    made.close()


def test_good_boards_break_nothing():
    """Good nodes on one link, all attacks that need no reset."""
    profile = board("causeway")
    attacks = Attacks(profile)
    made = Boards(attacks, lambda: SimulatedLink(profile, threads=1), JumpClock())
    for case in attacks.draw(5, 0, 60):
        assert made.tried(case) == []
    made.close()


def test_lights_are_left_at_the_safe_level():
    """On a live link a frame of it is sent after everything, or why not is told."""
    from bench.trial.plan import Plan

    carried = []

    class Live(SimulatedLink):
        """Simulated nodes that are taken for live ones."""

        most_octets = 64

        def carry(self, line, sent=None):
            """See `Link`."""
            carried.append(bytes(line.octets))
            return super().carry(line, sent)

    profile = board("causeway")
    attacks = Attacks(profile)
    made = Boards(attacks, lambda: Live(profile, threads=1), JumpClock())
    assert made.tried(attacks.draw(5, 0, 1, only=("runt",))[0]) == []
    before = len(carried)
    told = made.leave(Plan(profile, 7, 1))
    assert told.figures["safe_level"] == {"sent": True, "why": None}
    assert bytes(16) in b"".join(carried[before:])
    made, _ = boards(Tries(LinkError(Fault("unplugged"))))
    with pytest.raises(LinkError):
        made.tried(case_of())
    made.onward._link.most_octets = 64
    (note,) = made.leave(Plan(profile, 7, 1)).notes
    assert note.startswith("the safe level was not sent: the link is lost")
