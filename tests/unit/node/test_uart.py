"""The receiver: how long it waits for the processor, and what it does when it must."""

from __future__ import annotations

import pytest
from unit.node.boards import board, packet, play

CHARACTER_NS = 2_500


def losses(entry_ns: int, *overrides: str) -> list[int]:
    """Places of the characters lost from one foreign packet of 64 octets of payload."""
    spec = board(
        "processor.interrupt.body=drain",
        "processor.interrupt.count=",
        f"processor.interrupt.entry={entry_ns} ns",
        *overrides,
    )
    return play(spec, packet(spec, 17, bytes(64))).lost["at"].tolist()


@pytest.mark.parametrize(
    ("fifo", "trigger", "slack"),
    [(8, 4, 5), (8, 7, 2), (32, 16, 17), (1, 1, 1), (4, 1, 4)],
)
@pytest.mark.parametrize("fires", ["level", "transition"])
def test_slack_from_assertion_to_loss(fifo, trigger, slack, fires):
    """A FIFO of depth N at level k waits N + 1 - k character times, and not 1 ns more.

    Derived from what a UART is: k = 16 of N = 32 at 4 Mbaud leaves 42.5 us, 8/4 leaves
    12.5 us, 1-deep leaves 2.5 us.
    """
    setup = [
        f"processor.uart.fifo={fifo}",
        f"processor.uart.trigger={trigger}",
        f"processor.uart.fires={fires}",
        "processor.interrupt.per_character=1 ns",
        "processor.interrupt.exit=0 ns",
    ]
    assert losses(slack * CHARACTER_NS - 1, *setup) == []
    # At the very instant: the character completes first, and finds the FIFO full.
    assert losses(slack * CHARACTER_NS, *setup)[:1] == [trigger + slack - 1]


def test_held_in_the_shifter_until_the_next_start_bit():
    """Complete in mid stop bit, the ninth of eight has 125 ns to be fetched."""
    setup = [
        "processor.uart.overrun=hold",
        "processor.interrupt.per_character=1 ns",
        "processor.interrupt.exit=0 ns",
    ]
    late_ns = 5 * CHARACTER_NS
    assert losses(late_ns + 124, *setup) == []
    assert losses(late_ns + 125, *setup)[:1] == [8]


def test_held_in_the_shifter_until_the_next_character_completes():
    """One character more than the FIFO holds, a whole character time longer."""
    setup = [
        "processor.uart.overrun=overwrite",
        "processor.interrupt.per_character=1 ns",
        "processor.interrupt.exit=0 ns",
    ]
    late_ns = 6 * CHARACTER_NS
    assert losses(late_ns - 1, *setup) == []
    assert losses(late_ns, *setup)[:1] == [8]


def test_a_stalled_receiver_loses_all_until_the_handler_looks():
    """From the first loss to the first look everything goes."""
    setup = [
        "processor.interrupt.per_character=1 ns",
        "processor.interrupt.exit=0 ns",
    ]
    entry_ns = 8 * CHARACTER_NS
    dropped = losses(entry_ns, *setup, "processor.uart.overrun=drop")
    stalled = losses(entry_ns, *setup, "processor.uart.overrun=stall")
    assert dropped[:4] == stalled[:4] == [8, 9, 10, 11]


def test_an_edge_that_comes_once():
    """Transition-fired, a handler that leaves enough behind is never called again.

    By hand: it is entered at 10.0, 13.0, 16.0 and 19.0 us, each time since a character
    made three into four.  The one at 20.0 us makes five of four; the look at 20.3 us
    leaves four, and nothing makes three into four ever again.
    """
    spec = board(
        "processor.uart.fires=transition",
        "processor.interrupt.body=one",
        "processor.interrupt.count=",
        "processor.uart.idle_timeout=1 s",
    )
    octets = packet(spec, 17, bytes(200))
    lost = play(spec, octets).lost
    # Four were taken; eight stay in the FIFO for ever, the rest is lost.
    assert lost["at"].tolist() == list(range(12, len(octets)))
    assert lost["doing"][-1] == 0  # nothing: no interrupt is asserted


@pytest.mark.parametrize(("timeout", "shown"), [("8 us", 1), ("1 s", 0)])
def test_a_tail_below_the_trigger_waits_for_the_timeout(timeout, shown):
    """The last characters of a packet need the idle timeout, or they stay unread."""
    spec = board(f"processor.uart.idle_timeout={timeout}", "processor.uart.trigger=7")
    assert len(play(spec, packet(spec, 1)).shown) == shown
