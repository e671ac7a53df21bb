"""Causes in words."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bench.base import columns
from bench.base.columns import Doing, Drop
from bench.judge.words import (
    SYNC_MISSED,
    Clocks,
    Why,
    Wording,
    clocks_text,
    code_of,
    doing_of,
    text_of,
)
from bench.profile.load import load_profile

AFTER = "swallowed while the receiver resynchronised after"

TIMED = (
    "output.method=timer",
    "output.clock=100 kHz",
    "output.transfer_jitter=0 ns",
)


def wording(profile: str, *overrides: str) -> Wording:
    """The words for the first node of a profile."""
    loaded = load_profile(profile, overrides)
    return Wording(loaded.node[0], loaded.bus.character.step)


def row(clocks: int, marginal: int = 0, **times: int) -> Any:
    """One burst."""
    burst = np.zeros(1, columns.SHOWN)
    burst["clocks"], burst["marginal"] = clocks, marginal
    for name, ns in times.items():
        burst[name] = ns
    return burst[0]


@pytest.mark.parametrize("doing", Doing)
def test_every_activity_has_words(doing: Doing) -> None:
    """Whatever the processor was doing can be said, and is what the cause comes to."""
    text = text_of(code_of(Why.OVERRUN, doing))
    assert text.startswith("receiver overrun w")
    assert text_of(code_of(Why.AFTER_OVERRUN, doing)) == f"{AFTER} {text}"
    missed = SYNC_MISSED + code_of(Why.AFTER_OVERRUN, doing)
    assert text_of(missed) == f"sync missed: {AFTER} {text}"
    assert doing_of(missed) == doing_of(code_of(Why.OVERRUN, doing)) == doing


@pytest.mark.parametrize("reason", Drop)
def test_every_reason_has_words(reason: Drop) -> None:
    """Whatever reason a node gives can be said; it comes down to no overrun."""
    text = text_of(code_of(Why.DROPPED, reason))
    assert text_of(code_of(Why.AFTER_DROP, reason)) == f"{AFTER} {text}"
    assert doing_of(code_of(Why.DROPPED, reason)) is None
    assert doing_of(SYNC_MISSED + code_of(Why.AFTER_DROP, reason)) is None


def test_words_differ() -> None:
    """No two activities and no two reasons are told in the same words."""
    doings = {text_of(code_of(Why.OVERRUN, doing)) for doing in Doing}
    drops = {text_of(code_of(Why.DROPPED, reason)) for reason in Drop}
    assert (len(doings), len(drops)) == (len(Doing), len(Drop))


@pytest.mark.parametrize(
    ("more", "known", "text"),
    [
        (1, Clocks.PLAIN, "1 clock too many"),
        (-1, Clocks.PLAIN, "1 clock too few"),
        (9, Clocks.PLAIN, "9 clocks too many"),
        (-3840, Clocks.PLAIN, "10 or more clocks too few"),
        (2, Clocks.INTACT, "2 clocks too many, data intact"),
        (-7, Clocks.HALF, "7 clocks too few: a pause inside the burst, or cut off"),
        (
            -7,
            Clocks.REST,
            "7 clocks too few: the rest of a burst that latched in a pause inside it",
        ),
    ],
)
def test_clocks(more: int, known: Clocks, text: str) -> None:
    """Too many and too few, up to a number beyond which nobody counts."""
    assert clocks_text(more, known) == text


@pytest.mark.parametrize(
    ("clocks", "marginal", "code", "text"),
    [
        (3841, 1, 1, "1 clock too many: data shifted by one bit"),
        (3838, 0, 1, "2 clocks too few: data shifted by as many bits"),
        (3840, 1, 1, "marginal clock pulse"),
        (
            3840,
            0,
            code_of(Why.OVERRUN, Doing.COMPLETE),
            (
                "receiver overrun while in the transfer-complete handler, and no "
                "check noticed"
            ),
        ),
        (3840, 0, code_of(Why.AFTER_DROP, Drop.BAD_CHECK), "cause not known"),
        (-1, -1, code_of(Why.NOT_KNOWN), "cause not known"),
        (-1, -1, code_of(Why.NOT_OBSERVABLE), "cause not observable"),
        (3840, -1, code_of(Why.NOT_OBSERVABLE), "cause not known"),
    ],
)
def test_corrupt(clocks: int, marginal: int, code: int, text: str) -> None:
    """Clocks explain wrong data first, then a runt, then what the receiver lost."""
    assert wording("causeway").corrupt(row(clocks, marginal), code) == text


HALF = "shown half: pause of more than {} inside the burst"


@pytest.mark.parametrize(
    ("longest", "latched_ns", "text"),
    [
        # Latched 1 ns after the longest pause that the chains bear: by that pause.
        ("20 us", 20_001, HALF.format("20 us")),
        # By the latch gap: it went no further, and was cut off.
        ("20 us", 500_000, "2 clocks too few: data shifted by as many bits"),
        # When it latched is not known, or both are the same.
        ("20 us", 77, HALF.format("20 us") + ", or cut off there"),
        ("", 500_000, HALF.format("500 us") + ", or cut off there"),
        # By a pause that is longer than the latch gap.
        ("0.5 ms", 500_001, HALF.format("500 us")),
        ("0.5 ms", 500_000, "2 clocks too few: data shifted by as many bits"),
    ],
)
def test_shown_half(longest: str, latched_ns: int, text: str) -> None:
    """A burst of one interrupt a bit that has too few clocks: what is known of it."""
    words = wording("causeway", *TIMED, f"output.longest_pause={longest}")
    burst = row(3838, end_ns=1000, shown_ns=1000 + latched_ns)
    assert words.half
    assert words.corrupt(burst, code_of(Why.NOT_KNOWN)) == text
    strobed = wording("causeway", *TIMED, "output.latch=strobe")
    assert not strobed.half
    text = "2 clocks too few: data shifted by as many bits"
    assert strobed.corrupt(burst, code_of(Why.NOT_KNOWN)) == text


@pytest.mark.parametrize(
    ("late_ns", "text"),
    [
        (0, "cause not known"),
        (-2_000, "cause not known"),
        (25_000, "1 output tick lost: the lanes' bits stretched"),
        (27_000, "1 output tick lost: the lanes' bits stretched"),
        (5 * 26_042, "5 output ticks lost: the lanes' bits stretched"),
    ],
)
def test_lost_ticks(late_ns: int, text: str) -> None:
    """Characters that took longer than their bits: ticks of the timer were lost."""
    # 479 periods of 1/38400 s from the first bit to the last, then its 1.8 us.
    lasted_ns = 479 * 1_000_000_000 // 38_400 + 1_800 + late_ns
    burst = row(480, first_bit_ns=7_000, end_ns=7_000 + lasted_ns)
    assert wording("jetty").corrupt(burst, code_of(Why.NOT_KNOWN)) == text


def test_deaf_time() -> None:
    """How long a polled loop is deaf, and how many characters come meanwhile."""
    words = wording("jetty")
    # By hand: 2 us + 480 x 0.6 us = 290 us; a character at 1 Mbaud takes 10 us.
    deaf = "290 us, 29 characters, and the FIFO holds 1"
    overrun = "receiver overrun while a polled loop rearranged: deaf for at least "
    overrun += deaf
    assert words.cause(code_of(Why.OVERRUN, Doing.REARRANGING)) == overrun
    after = code_of(Why.AFTER_OVERRUN, Doing.REARRANGING)
    assert words.cause(after) == f"{AFTER} {overrun}"
    assert words.cause(SYNC_MISSED + after) == f"sync missed: {AFTER} {overrun}"
    assert words.deaf() == (
        "the deaf time while rearranging, 2 us + 480 × 600 ns a packet and more where "
        f"interrupts stretch it: {deaf}"
    )
    other = words.cause(code_of(Why.OVERRUN, Doing.STARTING))
    assert other == "receiver overrun while a polled loop started the output: deaf"


@pytest.mark.parametrize(
    ("baud", "characters"),
    [
        ("30 kbaud", "0.87 characters"),
        ("1 Mbaud", "29 characters"),
        ("3 Mbaud", "87 characters"),
    ],
)
def test_characters_while_deaf(baud: str, characters: str) -> None:
    """Less than one is said as well."""
    words = wording("jetty", f"bus.baud={baud}", "traffic.frame_rate=1 Hz")
    assert characters in words.deaf()
