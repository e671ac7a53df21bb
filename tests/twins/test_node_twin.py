"""The node's plain twin itself, on what follows from MODEL.md by mental arithmetic."""

from __future__ import annotations

from dataclasses import replace

import pytest
from twins.node_hand import GAP_NS, board, marked, packet, play

from bench.node.spec import ReceiveSpec

POLL = ReceiveSpec("poll", pass_ns=3_000)


def ring(octets, *, half=False, late_ns=0):
    """A board that DMA fills a ring of."""
    uart = {"fifo": octets - 1, "fires": "transition"}
    return board(uart=uart, receive=ReceiveSpec("dma", 0, octets, half, late_ns))


def starts(result, kind=1):
    """When the interrupts of a kind were entered."""
    return [row[1] for row in result.interrupts if row[0] == kind]


# --- received -------------------------------------------------------------------------


def test_one_packet():
    """The story of the module above, and what every other case begins with."""
    result = play(board(), (0, packet(0xC1)))
    assert result.shown == [(34_000, 39_000, 114_000, 144_000, 8, 0, 0)]
    assert result.data == [b"\xc1"]
    assert (result.receive_ns, result.foreground_ns) == (7_500, 2_000)


def test_polled():
    """A look every 3 us; between rearranging and starting the output there is one."""
    result = play(board(receive=POLL), (0, packet(0xC1)))
    # Looks that take: 12,000, 21,500, 31,000.  Handled by 31,500, rearranged by 33,500,
    # a look at 36,500.
    assert result.shown == [(36_500, 41_500, 116_500, 146_500, 8, 0, 0)]
    assert result.foreground_ns == 3 * 500 + 2_000
    assert result.interrupts == []


def test_polled_loop_is_deaf():
    """While it rearranges, starts the output, or is slow to look."""
    spec = board(uart={"fifo": 1}, cost={"rearrange_ns": 30_000}, receive=POLL)
    result = play(spec, (0, [*packet(1), 0, 0, 0]))
    assert result.lost == [(4, 49_500, 9), (5, 59_500, 9)]
    # Rearranged by 31,500 + 2,000, a look at 36,500, the output started by 66,500.
    spec = board(uart={"fifo": 1}, cost={"start_output_ns": 30_000}, receive=POLL)
    result = play(spec, (0, [*packet(1), 0, 0, 0]))
    assert result.lost == [(4, 49_500, 10), (5, 59_500, 10)]
    spec = board(uart={"fifo": 1}, receive=ReceiveSpec("poll", pass_ns=25_000))
    assert play(spec, (0, [0, 0])).lost == [(1, 19_500, 8)]


def test_polled_loop_lets_interrupts_first():
    """A pass ends with the last period: the stop comes first, then the look."""
    output = {"stop": "interrupt", "stop_latency_ns": 500}
    result = play(board(receive=POLL, output=output), (0, packet(1)))
    # The burst begins at 36,500 and its last period ends at 116,500, when the 80,000
    # since then are 26 passes and 2,000 of the next: it is put off to 120,000.
    assert result.interrupts == [(2, 116_500, 119_000)]
    assert result.shown[0][2] == 116_500


def test_polled_silence():
    """A look that finds nothing gives the parser the silence; that is handled."""
    packed = marked(1)
    delimiting = replace(packed.delimiting, kind=3, octets=b"", silence_ns=40_000)
    address = replace(packed.layout.address, at=0)
    layout = replace(packed.layout, head=1, address=address)
    spec = board(
        uart={"idle_timeout_ns": 50_000, "idle_on_empty": True},
        cost={"per_packet_ns": 700},
        receive=POLL,
        packet=replace(packed, delimiting=delimiting, layout=layout),
    )
    result = play(spec, (0, [3, 0x55]))
    # The second is complete at 19,500 and taken at 21,500.  The timeout fires at
    # 69,500; looks are at 22,000 + 3,000 k, so the one at 70,000 finds it: handled by
    # 70,700, rearranged by 72,700, a look at 75,700.
    assert result.shown[0][0] == 75_700
    assert result.foreground_ns == 2 * 500 + 700 + 2_000


def test_muted():
    """What follows a foreign address costs nothing; the own one ends that."""
    spec = board(uart={"fifo": 1, "mute": True}, packet=marked(1, by_mark=True))
    runs = (0, [(4, 4), 1, 1, 1, (3, 4), 0x22, (4, 4), 0x33])
    result = play(spec, runs)
    # The packet's two characters are complete at 49,500 and 59,500.
    assert result.interrupts == [(1, 49_500, 52_000), (1, 59_500, 62_000)]
    assert result.data == [b"\x22"]
    assert (result.lost, result.notes["muted"]) == ([], 6)
    hears_all = replace(spec, uart=replace(spec.uart, mute=False))
    assert len(play(hears_all, runs).interrupts) == 8


def test_muted_at_first_and_by_flaw():
    """Before the first own address nothing is heard; a flawed one is no address."""
    spec = board(uart={"mute": True}, packet=marked(1, by_mark=True))
    result = play(spec, (0, [3, 0x22, (3, 1), 0x33, (9, 4), 0x44]))
    assert (starts(result), result.data) == ([49_500, 59_500], [b"\x44"])


def test_ring_laps():
    """As many characters as the ring has places: it looks empty, and all are lost."""
    result = play(ring(4), (0, [1, 2, 3, 4, 5]))
    assert result.lost == [(place, 39_500, 0) for place in range(4)]
    assert starts(result) == [39_500]
    result = play(ring(4, half=True), (0, [1, 2, 3, 4, 5]))
    assert result.lost == []
    assert starts(result) == [19_500, 39_500]


def test_ring_forgets_flaws_and_keeps_the_longest_gap():
    """A lap inside a packet goes unnoticed, unless there was a pause in it."""
    pausing = marked(3)
    pausing = replace(pausing, delimiting=replace(pausing.delimiting, pause_ns=40_000))
    spec = replace(ring(4), packet=pausing)
    spec = replace(spec, output=replace(spec.output, lanes=3))
    spec = replace(spec, uart=replace(spec.uart, idle_timeout_ns=11_000))
    # Two are taken after the timeout, two by the last place; then a lap, and one more.
    begun, lap = [(0, [0xA5, 3]), (50_000, [5, 6])], [(9, 1), 9, 9, 9, 7]
    result = play(spec, *begun, (70_000, lap))
    assert result.lost == [(place, 109_500, 0) for place in range(4, 8)]
    assert (result.data, result.dropped) == ([b"\x05\x06\x07"], [])
    result = play(spec, *begun, (120_000, lap))  # 50,000 after the one before
    assert (result.data, result.dropped) == ([], [(181_500, 0, 4, 6)])


def test_ring_waits_for_the_bus():
    """While a burst runs a character arrives later; the timeout does not mind."""
    spec = ring(2, half=True, late_ns=700)
    result = play(spec, (0, [*packet(1), 0]), (130_000, [0]))
    # The burst runs from 34,000 to 114,000.
    assert starts(result) == [9_500, 19_500, 29_500, 40_200, 139_500]


def test_masked():
    """Interrupts wait for the masked part; what is lost then says so."""
    cost = {"rearrange_ns": 30_000, "masked_ns": 20_000}
    result = play(board(uart={"fifo": 1}, cost=cost), (0, [*packet(1), 0, 0]))
    assert starts(result)[3:] == [52_000]  # from 32,000 on
    assert result.lost == [(4, 49_500, 7)]
    assert result.foreground_ns == 30_000
    cost = {"rearrange_ns": 15_000, "masked_ns": 20_000}
    result = play(board(uart={"fifo": 1}, cost=cost), (0, [*packet(1), 0]))
    assert starts(result)[3:] == [47_000]  # all of it is shorter


def test_lapped_while_masked():
    """Masked it was, if the interrupt was asserted before the ring was full."""
    cost = {"rearrange_ns": 50_000, "masked_ns": 50_000}
    spec = replace(ring(4), cost=replace(board().cost, **cost))
    spec = replace(spec, uart=replace(spec.uart, idle_timeout_ns=11_000))
    # Taken after the timeout at 40,500, so that 44,000 to 94,000 is masked.  The next
    # one, at 54,500, takes the last place, the fourth fills the ring.
    result = play(spec, (0, packet(1)), (45_000, [1, 2, 3, 4]))
    assert result.lost == [(place, 84_500, 7) for place in range(3, 7)]
    # Taken by 62,500, two after a timeout and two by the last place.  Of the next lap
    # it is the last place that fills the ring.
    result = play(spec, (0, packet()), (40_000, [1, 0, 1, 2, 3, 4]))
    assert result.lost == [(place, 99_500, 0) for place in range(4, 8)]


def test_priority():
    """Pending together: in the stated order."""
    output = {"stop": "interrupt", "stop_latency_ns": 500}
    runs = [(0, packet(1)), (104_500, [0])]  # complete at 114,000, as the burst is
    first = play(board(output=output), *runs)
    assert first.interrupts[3:] == [(1, 114_000, 116_500), (2, 116_500, 119_000)]
    order = ("complete", "bit", "receive")
    other = play(board(output=output, cost={"priority": order}), *runs)
    assert other.interrupts[3:] == [(2, 114_000, 116_500), (1, 116_500, 119_000)]


def test_shared_payload():
    """Its octets begin where the address says; a payload that ends before is short."""
    shared = marked(4, address=False)
    spec = board(packet=shared, window=2, output={"lanes": 2})
    assert play(spec, (0, [0xA5, 1, 2, 3, 4])).data == [b"\x03\x04"]
    result = play(replace(spec, window=3), (0, [0xA5, 1, 2, 3, 4]))
    assert (result.shown, result.dropped) == ([], [(50_500, 0, 5, 7)])


# --- released -------------------------------------------------------------------------


def test_shown_on_sync():
    """Held until the sync comes, whose payload is nobody's."""
    spec = board(on_sync=True)
    result = play(spec, (0, packet(0xC1)), (100_000, packet(0xFF, to=9)))
    # The sync is received at 130,500, the interrupt over at 132,000.
    assert [row[0] for row in result.shown] == [132_000]
    assert (result.data, result.dropped) == ([b"\xc1"], [])


def test_not_synced():
    """A newer packet takes the place of the one that is held."""
    spec = board(on_sync=True)
    runs = [(0, packet(1)), (100_000, packet(2)), (200_000, packet(0, to=9))]
    result = play(spec, *runs)
    assert result.dropped == [(134_000, 0, 3, 13)]
    assert (result.shown[0][0], result.data) == (232_000, [b"\x02"])


def test_sync_early():
    """A sync that comes while the packet is rearranged releases nothing."""
    spec = board(on_sync=True, cost={"rearrange_ns": 100_000})
    runs = [(0, packet(1)), (40_000, packet(0, to=9)), (300_000, packet(2))]
    result = play(spec, *runs)
    assert result.shown == []
    assert result.dropped == [(432_000, 0, 3, 14)]


def test_sync_at_the_end_of_rearranging():
    """What ends at an instant has ended: a sync that comes then is not early."""
    # The sync's octets are looked at at 80,500, 90,500, 100,500; three interrupts of
    # 2,500 put the end of rearranging off, the third from 99,500 on by 1,000 to the
    # look.  For it to end at the third's entry: 32,000 + 62,500 + 2 * 2,500 = 99,500.
    runs = [(0, packet(1)), (70_000, packet(0, to=9))]
    spec = board(on_sync=True, cost={"rearrange_ns": 62_500})
    assert [row[0] for row in play(spec, *runs).shown] == [102_000]
    spec = board(on_sync=True, cost={"rearrange_ns": 62_501})
    assert play(spec, *runs).shown == []


def test_darkness():
    """After silence the lanes are darkened, once; a sound packet puts it off."""
    spec = board(blackout_ns=200_000, dark=b"\x0f")
    assert [row[0] for row in play(spec).shown] == [200_000]
    result = play(spec, (100_000, packet(0xC1)))
    # Received at 130,500.
    assert [row[0] for row in result.shown] == [134_000, 330_500]
    assert result.data == [b"\xc1", b"\x0f"]
    result = play(spec, (300_000, packet(0xC1)), (600_000, packet(1, to=4)))
    assert [row[0] for row in result.shown] == [200_000, 334_000, 530_500]


# --- clocked by DMA -------------------------------------------------------------------


def test_lead():
    """The clock runs ahead of the words by whole periods."""
    result = play(board(output={"lead_ns": 15_000}), (0, packet(0xC1)))
    assert result.shown == [(34_000, 39_000, 134_000, 164_000, 10, 0, 0)]
    assert result.data == [b"\xc1"]
    words = [row[0] for row in result.edges if row[2] == 0]
    assert words == [54_000 + 10_000 * k for k in range(8)]


def test_previous_bit():
    """Set-up longer than from a word to the rise: each rise takes the word before."""
    spec = board(output={"setup_ns": 6_000})
    result = play(spec, (0, packet(0xFF)), (200_000, packet(0x40)))
    # The first takes the zeros that were there, the second the one that the first left.
    assert result.data == [b"\x7f", b"\xa0"]
    spec = board(output={"setup_ns": 4_999})
    assert play(spec, (0, packet(0xFF))).data == [b"\xff"]


def test_skipped_rollover():
    """A word later than a period: the next rollover asks for nothing."""

    def transfer(_burst, word):
        return 15_000 if word == 0 else 0

    # Word 0 moves at 15,000, as the clock rises; words 1 to 7 at 20,000 to 80,000.
    late = {"transfer_jitter_ns": 25_000}
    spec = board(output=late | {"stop": "dma"})
    result = play(spec, (0, packet(0xFF)), transfer=transfer)
    assert result.shown == [(34_000, 39_000, 124_000, 154_000, 9, 0, 0)]
    assert result.data == [b"\x7f"]
    result = play(board(output=late), (0, packet(0xFF)), transfer=transfer)
    assert result.shown == [(34_000, 39_000, 114_000, 144_000, 8, 0, 0)]
    assert result.data == [b"\x3f"]
    assert sum(row[2] == 0 for row in result.edges) == 7


def test_stolen():
    """A word that moves within a job puts its end off, one at its end does not."""
    # The second packet is received at 60,500 and its job begins at 62,000.
    runs = [(0, packet(1)), (30_000, packet(2))]
    # A burst from 34,001 on: 64,001 is the end of the next job, too.
    spec = board(output={"stolen_ns": 300}, cost={"rearrange_ns": 2_001})
    assert play(spec, *runs).foreground_ns == 2 * 2_001
    # The first job lasts 14,500 and an interrupt of 2,500: a burst from 49,000 on.  So
    # 69,000 is within the second, and 79,000 too, if the end is put off beyond it.
    for stolen_ns, words in ((2_499, 1), (2_500, 1), (2_501, 2)):
        spec = board(output={"stolen_ns": stolen_ns}, cost={"rearrange_ns": 14_500})
        assert play(spec, *runs).foreground_ns == 2 * 14_500 + words * stolen_ns


# --- by timer, by port, UART lanes ----------------------------------------------------

# What one of 1.3 us in and 1.3 us out can hold: common practice, no source.
OWN_BITS = {"entry_ns": 1_300, "exit_ns": 1_300, "per_character_ns": 0}
BY_TIMER = {"method": "timer"}


def timer_burst(clock_hz, **output):
    """A burst of eight bits, from the beginning to the last bit."""
    output = BY_TIMER | {"clock_hz": clock_hz} | output
    result = play(board(cost=OWN_BITS, output=output), (0, packet(0xC1)))
    begin_ns, _, end_ns, *_ = result.shown[0]
    assert result.data == [b"\xc1"]
    return end_ns - begin_ns, result.notes["lost tick"], result.bit_ns


def test_one_interrupt_a_bit():
    """At 100 kbit/s every tick is served, at 500 kbit/s ticks are lost."""
    assert timer_burst(100_000) == (71_300, 0, 8 * 2_600)
    # Back to back, every 2,600 a bit: tick 5, at 10,000, comes while tick 4 is pending,
    # until 10,400, and tick 9, at 18,000, while tick 8 is, until 18,200.
    took_ns, lost, bit_ns = timer_burst(500_000)
    assert (took_ns, bit_ns) == (1_300 + 7 * 2_600, 8 * 2_600)
    assert lost == 2


def test_timer_clock():
    """Rise and fall of the clock that the handler makes."""
    spec = board(output=BY_TIMER, cost={"bit_ns": 2_001})
    result = play(spec, (0, packet(0xC1)))
    assert result.shown == [(34_000, 36_000, 107_001, 137_001, 8, 0, 0)]
    first = [row for row in result.edges if row[0] < 44_000]
    assert first == [(35_000, 0, 0, -1), (36_000, 0, 1, -1), (37_001, 0, 2, -1)]


def test_latched_amid():
    """A receive interrupt stretches a bit until the chains latch half."""
    output = BY_TIMER | {"latch_pause_ns": 10_000}
    spec = board(output=output, cost={"bit_ns": 2_000})
    result = play(spec, (0, packet(0xC1)), (34_000, [0]))
    # The receive interrupt takes 43,500 to 46,000: bit 1 moves at 47,000, not 45,000.
    assert result.shown == [
        (34_000, 36_000, 37_000, 47_000, 1, 0, 0),
        (34_000, 48_000, 107_000, 137_000, 7, 0, 0),
    ]
    assert result.data == [b"\x01", b"\xc1"]
    spec = board(output=output | {"latch_pause_ns": 11_001}, cost={"bit_ns": 2_000})
    assert len(play(spec, (0, packet(0xC1)), (34_000, [0])).shown) == 1


def test_port():
    """Lane after lane, with a gap between them."""
    output = {"method": "port", "lanes": 2, "lane_gap_ns": 5_000}
    result = play(board(output=output), (0, packet(0xC1, 0x0F)))
    begin_ns, end_ns = 44_000, 44_000 + 165_000
    assert result.shown == [(begin_ns, 49_000, end_ns, end_ns + GAP_NS, 8, 0, 85_000)]
    assert result.data == [b"\xc1\x0f"]
    assert result.edges[0] == (49_000, 0, 1, 0)
    assert result.edges[-1] == (end_ns, 0, 2, 1)
    assert len(result.edges) == 32


def test_port_by_interrupt():
    """The handler begins the next lane; after the last it gives the output back."""
    output = {"method": "port", "lanes": 2, "stop": "interrupt", "kept_gap_ns": 1}
    spec = board(output=output | {"stop_latency_ns": 500, "lane_gap_ns": 5_000})
    runs = [(0, packet(1, 2)), (40_000, packet(3, 4))]
    result = play(spec, *runs)
    # Lanes from 44,000 to 124,000 and from 125,500 to 205,500; back at 207,000, in the
    # handler, which is over at 208,000.
    assert [row[0] for row in result.shown] == [44_000, 208_000]
    assert result.shown[0][2:] == (205_500, 235_500, 8, 0, 81_500)
    assert starts(result, 2)[:2] == [124_000, 205_500]


def test_port_latches_by_its_first_lane():
    """The first lane's own pause decides."""
    output = {"method": "port", "lanes": 2, "kept_gap_ns": 1, "latch_gap_ns": 80_000}
    runs = [(0, packet(1, 2)), (40_000, packet(3, 4))]
    # Lane 0 ends at 124,000, the burst at 204,000; the next begins at 204,001 and its
    # first bit comes at 209,001, later than 124,000 + 80,000.
    result = play(board(output=output), *runs)
    assert result.shown[0][2:4] == (204_000, 284_000)
    output["latch_gap_ns"] = 85_002
    assert play(board(output=output), *runs).shown[0][2:4] == (204_000, -1)


UARTS = {"method": "uart", "signal": "uart"}


def test_uart_lanes():
    """Ten bits an octet; a far end that is a little off still reads them."""
    for lane_hz in (95_000, 100_000, 105_000):
        result = play(board(output=UARTS | {"lane_hz": lane_hz}), (0, packet(0xA5)))
        assert result.shown == [(34_000, 34_000, 134_000, 164_000, 10, 0, 0)]
        assert result.data == [b"\xa5"]


def test_uart_lane_misread():
    """A tenth too slow, the far end reads 1, 2, 3, 5, 6, 7, 8 and the stop bit."""
    spec = board(output=UARTS | {"lane_hz": 90_000})
    assert play(spec, (0, packet(0x08))).data == [b"\x80"]
    assert play(spec, (0, packet(0x10))).data == [b"\x88"]


def test_uart_lane_by_timer():
    """A lane whose ticks are lost breaks: a bit of 2.6 us read as one of 2."""
    output = {"method": "timer", "signal": "uart", "clock_hz": 500_000}
    spec = board(cost=OWN_BITS, output=output | {"lane_hz": 500_000})
    assert play(spec, (0, packet(0x01))).data == [b"\x03"]
    spec = board(cost=OWN_BITS, output=output | {"clock_hz": 100_000})
    assert play(spec, (0, packet(0x01))).data == [b"\x01"]


def test_octets_that_never_came():
    """Two octets of which the far end sees only one beginning."""
    # Expecting bits eight times as long, it reads the first from 0 to 760,000, and by
    # then all is over: bit k of 20 at (2k + 1) * 40,000: at 120,000 bit 12, and so on.
    output = UARTS | {"lane_octets": 2, "lane_hz": 12_500}
    result = play(board(output=output), (0, packet(0xFF, 0x00)))
    assert result.data == [bytes([0b1111_1110, 0])]


# --- reset ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reset_ns", "row", "data"),
    [
        (60_000, (34_000, 39_000, 60_000, 90_000, 3, 1, 0), b"\x06"),
        (59_000, (34_000, 39_000, 54_000, 84_000, 2, 0, 0), b"\x03"),
        (54_000, (34_000, 39_000, 54_000, 84_000, 2, 1, 0), b"\x03"),
        (54_001, (34_000, 39_000, 54_000, 84_000, 2, 0, 0), b"\x03"),
    ],
)
def test_reset_cuts_a_burst(reset_ns, row, data):
    """Its clocks are those that rose before; high at the instant, it is a runt."""
    result = play(board(), (0, packet(0xC1)), resets=[reset_ns])
    assert (result.shown, result.data, result.dropped) == ([row], [data], [])
    assert max(edge[0] for edge in result.edges) < reset_ns


@pytest.mark.parametrize("reset_ns", [30_501, 33_000, 34_000, 34_001, 39_000])
def test_reset_before_the_first_bit(reset_ns):
    """A packet that was received is dropped; it was no burst at all."""
    result = play(board(), (0, packet(0xC1)), (200_000, packet(2)), resets=[reset_ns])
    assert result.dropped == [(reset_ns, 0, 3, 15)]
    assert [row[0] for row in result.shown] == [234_000]
    assert {row[1] for row in result.edges} == {0}


@pytest.mark.parametrize("reset_ns", [20_000, 25_000, 29_500, 30_500])
def test_reset_while_receiving(reset_ns):
    """What was being received is forgotten, without a word."""
    result = play(board(), (0, packet(0xC1)), resets=[reset_ns])
    assert (result.shown, result.dropped, result.lost) == ([], [], [])


def test_reset_drops_in_order_of_reception():
    """One for which the output is started, and two that wait."""
    cost = {"rearrange_ns": 40_000, "start_output_ns": 10_000, "receive_buffers": 3}
    spec = board(cost=cost)
    # The first is rearranged by 84,500, five interrupts included, and would start by
    # 97,000; the third is received at 90,500.
    runs = [(0, [*packet(1), *packet(2), *packet(3)])]
    result = play(spec, *runs, resets=[95_000])
    assert result.dropped == [(95_000, 3 * k, 3 * k + 3, 15) for k in range(3)]


@pytest.mark.parametrize(("gap_ns", "shown_ns"), [(5_001, 119_001), (5_002, -1)])
def test_reset_before_the_next_first_bit(gap_ns, shown_ns):
    """A first bit that was certain and does not come lets the burst before latch."""
    output = {"kept_gap_ns": 1, "latch_gap_ns": gap_ns}
    runs = [(0, [*packet(0xC1), *packet(2)])]
    # The first ends at 114,000, the second begins at 114,001: first rise 119,001.
    assert play(board(output=output), *runs).shown[0][3] == shown_ns
    cut = play(board(output=output), *runs, resets=[119_001])
    assert [row[3] for row in cut.shown] == [114_000 + gap_ns]
    assert cut.dropped == [(119_001, 3, 6, 15)]
    cut = play(board(output=output), *runs, resets=[119_002])
    assert [row[3] for row in cut.shown] == [shown_ns, 119_002 + gap_ns]
    assert cut.data[1] == b"\x82"  # the last seven bits of C1h, then a zero


def test_reset_before_a_timer_moves_its_first_word():
    """The burst before latches."""
    output = BY_TIMER | {"kept_gap_ns": 1, "latch_gap_ns": 10_000}
    runs = [(0, [*packet(0xC1), *packet(2)])]
    # The first ends at 105,000, within its last interrupt, which is over at 106,000:
    # the second begins, and its first word moves at 107,000.
    assert play(board(output=output), *runs).shown[0][3] == -1
    cut = play(board(output=output), *runs, resets=[107_000])
    assert [row[3] for row in cut.shown] == [115_000]
    assert cut.dropped == [(107_000, 3, 6, 15)]


def test_reset_by_timer():
    """The clock whose word has moved counts, and is taken to be high."""
    spec = board(output=BY_TIMER, cost={"bit_ns": 2_000})
    result = play(spec, (0, packet(0xC1)), resets=[45_001])  # word 1 moved at 45,000
    assert result.shown == [(34_000, 36_000, 45_001, 75_001, 2, 1, 0)]
    assert result.bit_ns == 4_000  # the one under way has not ended
    result = play(spec, (0, packet(0xC1)), resets=[45_000])
    assert result.shown == [(34_000, 36_000, 37_000, 67_000, 1, 0, 0)]


def test_reset_of_uart_lanes():
    """An octet has come if its stop bit had begun."""
    spec = board(output=UARTS | {"lane_octets": 2})
    # From 44,000 on; stop bits begin at 134,000 and 234,000.
    for reset_ns, clocks, data in (
        (134_000, 9, b"\x00\x00"),
        (134_001, 10, b"\x11\x00"),
        (234_001, 20, b"\x11\x22"),
    ):
        result = play(spec, (0, packet(0x11, 0x22)), resets=[reset_ns])
        row = (44_000, 44_000, reset_ns, reset_ns + GAP_NS, clocks, 0, 0)
        assert (result.shown, result.data) == ([row], [data])


def test_reset_of_a_port():
    """Lanes that have ended hold their octets; the one under way is cut."""
    output = {"method": "port", "lanes": 2, "lane_gap_ns": 5_000}
    # Lane 0 from 44,000 to 124,000, lane 1 from 129,000 on, its first rise at 134,000.
    for reset_ns, end_ns, clocks, marginal, skew_ns, data in (
        (124_000, 124_000, 8, 1, 0, b"\xc1\x00"),
        (124_001, 124_000, 8, 0, 0, b"\xc1\x00"),
        (134_000, 124_000, 8, 0, 0, b"\xc1\x00"),
        (134_001, 134_001, 1, 1, 10_001, b"\xc1\x01"),
    ):
        spec = board(output=output)
        result = play(spec, (0, packet(0xC1, 0xF0)), resets=[reset_ns])
        row = (44_000, 49_000, end_ns, end_ns + GAP_NS, clocks, marginal, skew_ns)
        assert (result.shown, result.data) == ([row], [data])


def test_begins_anew():
    """Darkness and the polled loop are counted from the reset on."""
    spec = board(receive=POLL, blackout_ns=200_000, dark=b"\x0f")
    result = play(spec, (150_000, packet(0xC1)), resets=[150_000], until_ns=300_000)
    # The looks are those of the first polled case, 150 us later, and so is the burst.
    assert [row[0] for row in result.shown] == [186_500]


# --- facts of the trade: common practice, no source -----------------------------------


@pytest.mark.parametrize("pitch_ns", [5_000, 2_500])
def test_polled_receiver_keeps_up(pitch_ns):
    """Eight deep, it loses nothing at 2 and at 4 Mbaud while it does nothing else."""
    uart = {"character_ns": pitch_ns, "ready_ns": pitch_ns * 95 // 100}
    cost = {"per_character_ns": 400, "rearrange_ns": 40_000}
    receive = ReceiveSpec("poll", pass_ns=500)
    spec = board(uart=uart, cost=cost, receive=receive)
    result = play(spec, (0, [0] * 400), pitch_ns=pitch_ns, until_ns=2_000_000)
    assert result.lost == []
    # Deaf for 40 us: at 4 Mbaud sixteen characters come, at 2 Mbaud eight.
    deaf = play(spec, (0, [*packet(1), *[0] * 40]), pitch_ns=pitch_ns)
    assert {row[2] for row in deaf.lost} == ({9} if pitch_ns == 2_500 else set())


def test_many_lanes():
    """12 lanes at 125 kbaud by timer interrupts of 2.6 us; 72 at 100 kbaud by DMA."""
    octets = [(37 * k + 11) % 256 for k in range(72)]
    output = {"method": "timer", "signal": "uart", "lanes": 12, "word_octets": 2}
    rates = {"clock_hz": 125_000, "lane_hz": 125_000}
    spec = board(cost=OWN_BITS, output=output | rates)
    result = play(spec, (0, packet(*octets[:12])))
    assert result.data == [bytes(octets[:12])]
    output = {"method": "dma", "signal": "uart", "lanes": 72, "word_octets": 16}
    result = play(
        board(output=output | {"transfer_jitter_ns": 3_000}),
        (0, packet(*octets)),
        until_ns=2_000_000,
        transfer=lambda _burst, word: 1_000 * (word % 4),
    )
    assert result.data == [bytes(octets)]
