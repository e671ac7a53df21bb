"""What engineers who build such boards know: common practice, no source."""

from __future__ import annotations

import pytest

from bench.budget import budget
from bench.profile import load_profile

REGISTERS = [
    "output.register_bits=224",
    "output.devices=16",
    "output.clock=500 kHz",
    "accept.latency=",
]
"""A board with registers of 224 bits."""

BY_BIT = [
    "output.method=timer",
    "output.signal=clocked",
    "output.stop=count",
    "output.transfer_jitter=0 ns",
    "output.stop_latency=0 ns",
    "output.longest_pause=",
    "output.devices=1",
    "output.latch_gap=1 ms",
    "processor.interrupt.entry=1.3 us",
    "processor.interrupt.exit=1.3 us",
    "accept.skew=",
]


@pytest.mark.parametrize(
    ("settings", "fits"),
    [
        ([], True),
        (["output.clock=1 MHz"], True),
        (["bus.baud=6 Mbaud"], True),
        (["output.clock=2 MHz"], False),
    ],
)
def test_margins_of_a_board(settings: list[str], fits: bool) -> None:
    """At 1 MHz and at 6 Mbaud there is margin left, at 2 MHz there is none."""
    found = budget(load_profile("causeway", [*REGISTERS, *settings]))
    assert found.fits is fits
    stop = found["stop"]
    assert stop.holds is fits
    if fits:
        assert stop.room > 0.15
        assert found["FIFO slack"].room > 0.15
    else:
        assert found.tightest == "marginal band"
        assert stop.note == "1 clocks too many"


@pytest.mark.parametrize(("clock", "fits"), [("500 kHz", False), ("100 kHz", True)])
def test_one_interrupt_a_bit(clock: str, fits: bool) -> None:
    """1.3 us in and 1.3 us out do not fit a bit of 2 us; of 10 us they do."""
    settings = [*BY_BIT, f"output.clock={clock}", "bus.baud=250 kbaud"]
    found = budget(load_profile("causeway", [*settings, "traffic.frame_rate=1 Hz"]))
    assert found["bit interrupt"].value == 2600
    assert found["bit interrupt"].holds is fits
    assert found.fits is fits


def test_slack_of_a_fifo() -> None:
    """N + 1 - k characters from interrupt to loss: of 8 and 4, 12.5 us at 4 Mbit/s."""
    for fifo, trigger, us in ((8, 4, 12.5), (32, 16, 42.5), (1, 1, 2.5)):
        settings = [f"processor.uart.fifo={fifo}", f"processor.uart.trigger={trigger}"]
        line = budget(load_profile("causeway", settings))["FIFO slack"]
        assert float(line.limit) + 1 == us * 1000


def test_entry_is_what_the_slack_is_for() -> None:
    """A longer way into the interrupt, or a masked stretch, eats the slack."""
    free = budget(load_profile("causeway"))["FIFO slack"]
    masked = budget(load_profile("causeway", ["processor.interrupt.masked=11 us"]))
    assert free.value == 1300
    assert masked["FIFO slack"].value == 12_300
    assert masked["FIFO slack"].holds
    over = budget(load_profile("causeway", ["processor.interrupt.masked=12 us"]))
    assert not over.fits
    assert over.tightest == "FIFO slack"


def test_a_third_of_the_processor_does_a_third_of_the_work() -> None:
    """At 6 Mbaud interrupts leave 37 %, and rearranging takes 2.7 times as long."""
    found = budget(load_profile("causeway", ["bus.baud=6 Mbaud"]))
    assert float(found["interrupt share"].value) == pytest.approx(0.63)
    assert float(found["rearranged"].value) / 960_000 == pytest.approx(2.7, abs=0.05)


def test_a_processor_that_cannot_keep_up() -> None:
    """4.2 us for four characters that come in 3.33 us: there is no bound at all."""
    found = budget(load_profile("causeway", ["bus.baud=12 Mbaud"]))
    assert not found.fits
    assert found.tightest == "interrupt share"
    assert found["FIFO slack"].value is None
    assert found["shown"].holds is False


def test_a_deaf_board() -> None:
    """The polled board is deaf while it rearranges: some 0.3 ms after every packet."""
    found = budget(load_profile("jetty"))
    assert 290_000 < float(found["deaf time"].value) < 340_000
    slow = ["processor.rearrange.per_octet=80 us"]
    broken = budget(load_profile("jetty", slow))
    assert broken["deaf time"].holds is False
