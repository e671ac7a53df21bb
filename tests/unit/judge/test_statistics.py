"""Exact bounds against printed tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.judge import statistics

if TYPE_CHECKING:
    from collections.abc import Callable


@pytest.mark.parametrize(
    ("trials", "upper"),
    [
        (10, 0.258866),
        (14, 0.192636),
        (20, 0.139108),
        (30, 0.095034),
        (50, 0.058155),
        (100, 0.029513),
        (167, 0.017779),
        (300, 0.009936),
        (1000, 0.002991),
    ],
)
def test_no_events_at_95_percent(trials: int, upper: float) -> None:
    """The exact bound behind the rule of three, and below it."""
    # Hanley and Lippman-Hand, JAMA 249 (1983) 1743, table (from memory); the formula
    # 1 - 0.05^(1/n) is in Jovanovic and Levy, Amer. Statist. 51 (1997) 137.
    bound = statistics.binomial_upper(0, trials, 0.95)
    assert bound == pytest.approx(upper, abs=5e-7)
    assert bound < 3 / trials


@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [
        (0, 10, 0, 0.308497),
        (0, 20, 0, 0.168433),
        (0, 30, 0, 0.115703),
        (0, 100, 0, 0.036217),
        (1, 10, 0.002529, 0.445016),
        (5, 10, 0.187086, 0.812914),
        (4, 20, 0.057334, 0.436614),
        (1, 100, 0.000253, 0.054459),
        (81, 263, 0.252737, 0.367622),
        (15, 148, 0.057844, 0.161650),
        (10, 10, 0.691503, 1),
    ],
)
def test_two_sided_95_percent(
    events: int, trials: int, low: float, high: float
) -> None:
    """Both ends of the exact interval."""
    # Clopper and Pearson, Biometrika 26 (1934) 404; 81/263 and 15/148 are the data of
    # Newcombe, Statist. Med. 17 (1998) 857 (printed limits from memory).  10 of 10 is
    # 0 of 10 seen from the other side.
    interval = statistics.binomial_interval(events, trials, 0.95)
    assert interval == pytest.approx((low, high), abs=5e-7)


def test_two_sided_90_percent() -> None:
    """Four of twenty at 90 %."""
    # NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.4.1; it prints 0.401029 for
    # the upper end, found by iteration in a spreadsheet.
    interval = statistics.binomial_interval(4, 20, 0.90)
    assert interval == pytest.approx((0.071354, 0.401028), abs=5e-7)


@pytest.mark.parametrize(
    ("confidence", "rate", "runs"),
    [
        (0.90, 0.10, 22),
        (0.90, 0.05, 45),
        (0.90, 0.01, 230),
        (0.95, 0.10, 29),
        (0.95, 0.05, 59),
        (0.95, 0.01, 299),
        (0.95, 0.001, 2995),
        (0.99, 0.10, 44),
        (0.99, 0.05, 90),
        (0.99, 0.01, 459),
        (0.95, 1e-4, 29_956),
        (0.95, 1e-5, 299_572),
        (0.95, 1e-6, 2_995_731),
    ],
)
def test_runs_without_failure(confidence: float, rate: float, runs: int) -> None:
    """The fewest clean packets, and one fewer is not enough."""
    # Success-run theorem, tables of reliability handbooks (from memory).  For 1e-4 at
    # 95 % the quotient is 29,955.82...; 29,957 is the Poisson bound 2.995732/1e-4.
    assert statistics.packets_needed(rate, confidence) == runs
    assert statistics.binomial_upper(0, runs, confidence) <= rate
    assert statistics.binomial_upper(0, runs - 1, confidence) > rate


def test_runs_where_the_quotient_is_whole() -> None:
    """Two fair coins both falling one way is exactly 75 % confidence."""
    # By hand: (1 - 1/2)^2 = 1 - 3/4; and (1 - 9/10)^1 = 1 - 9/10.
    assert statistics.packets_needed(0.5, 0.75) == 2
    assert statistics.packets_needed(0.9, 0.9) == 1
    assert statistics.packets_needed(0.9, 0.99) == 2


@pytest.mark.parametrize(
    ("confidence", "uppers"),
    [
        (0.95, [2.9957, 4.7439, 6.2958, 7.7537, 9.1535, 10.5130, 11.8424, 13.1481]),
        (0.90, [2.3026, 3.8897, 5.3223, 6.6808, 7.9936, 9.2747]),
        (0.99, [4.6052, 6.6384, 8.4059, 10.0451, 11.6046, 13.1085]),
    ],
)
def test_poisson(confidence: float, uppers: list[float]) -> None:
    """One-sided upper bounds of a Poisson mean for counts from zero."""
    # Gehrels, ApJ 303 (1986) 336, table 1; the review of particle physics prints
    # 3.00, 4.74, 6.30, 7.75 for 95 % (90 % and 99 % from memory).
    for events, upper in enumerate(uppers):
        bound = statistics.poisson_upper(events, confidence)
        assert bound == pytest.approx(upper, abs=5e-5)


def test_binomial_goes_over_into_poisson() -> None:
    """Many trials and few events: n times the one bound is the other."""
    bound = 10**9 * statistics.binomial_upper(3, 10**9, 0.95)
    assert bound == pytest.approx(statistics.poisson_upper(3, 0.95), rel=1e-7)


def test_extremes() -> None:
    """All lost, or nothing tried: no bound below one."""
    assert statistics.binomial_upper(7, 7, 0.95) == 1
    assert statistics.binomial_upper(0, 0, 0.95) == 1
    assert statistics.binomial_interval(0, 0, 0.95) == (0, 1)


@pytest.mark.parametrize("arguments", [(5, 4, 0.95), (-1, 4, 0.95), (0, 4, 1.0)])
def test_what_no_count_can_be(arguments: tuple[int, int, float]) -> None:
    """More events than trials, fewer than none, and certainty are refused."""
    with pytest.raises(ValueError, match=r"events in|confidence lies"):
        statistics.binomial_upper(*arguments)
    with pytest.raises(ValueError, match="a rate lies"):
        statistics.packets_needed(0, 0.95)


# --- lengths of tests, and two rates --------------------------------------------------


@pytest.mark.parametrize(
    ("bits_per_s", "rate", "seconds"),
    [
        (2e6, 1e-9, 1497.9),
        (2e6, 1e-10, 4.161 * 3600),
        (2e6, 1e-12, 17.34 * 86400),
        (4e6, 1e-9, 748.9),
        (4e6, 1e-10, 2.080 * 3600),
        (4e6, 1e-12, 8.668 * 86400),
    ],
)
def test_length_of_a_bit_error_test(
    bits_per_s: float, rate: float, seconds: float
) -> None:
    """How long a clean line has to be looked at for a bit-error ratio, at 95 %."""
    # Derived from N BER = -ln(1 - CL), as several application notes state it (seen);
    # 3/BER is its short form.
    bits = statistics.exposure_needed(rate, 0.95)
    assert bits / bits_per_s == pytest.approx(seconds, rel=3e-4)  # four digits
    assert bits == pytest.approx(3 / rate, rel=2e-3)


def test_errors_that_are_allowed_for_lengthen_a_test() -> None:
    """One error allowed for: 4.7439 over the rate (Gehrels, ApJ 303 (1986) 336)."""
    # One-sided 95 % limits of a Poisson count, k = 0, 1, 2 (table seen).
    for events, limit in enumerate((2.9957, 4.7439, 6.2958)):
        needed = statistics.exposure_needed(1e-3, 0.95, events)
        assert needed == pytest.approx(1000 * limit, rel=2e-5)


@pytest.mark.parametrize(
    ("events", "confidence", "limit"),
    [
        (0, 0.90, 2.3026),
        (0, 0.95, 2.9957),
        (0, 0.99, 4.6052),
        (1, 0.95, 4.7439),
        (2, 0.90, 5.3223),
        (5, 0.99, 13.1085),
    ],
)
def test_mean_time_between_losses(events: int, confidence: float, limit: float) -> None:
    """A run over the Poisson limit of its count (PDG table and Gehrels, 1986)."""
    hours = 8.0
    least = statistics.mean_between(events, hours, confidence)
    assert least == pytest.approx(hours / limit, rel=2e-5)


@pytest.mark.parametrize(
    ("first", "second", "chance"),
    [
        # Fisher's lady tasting tea, The Design of Experiments (1935): eight cups, four
        # of each, all told right: 1/70 to one side (from memory), 2/70 to two.
        ((4, 4), (0, 4), 2 / 70),
        ((3, 4), (1, 4), 34 / 70),
        # Tables of one and of no chance.
        ((0, 5), (0, 7), 1.0),
        ((5, 5), (7, 7), 1.0),
        ((0, 1), (1, 1), 1.0),
    ],
)
def test_two_rates(
    first: tuple[int, int], second: tuple[int, int], chance: float
) -> None:
    """The chance of such a difference or a greater one, if there were none."""
    assert statistics.rates_differ(*first, *second) == pytest.approx(chance)
    assert statistics.rates_differ(*second, *first) == pytest.approx(chance)


@settings(deadline=None)  # that library takes its time to load
@given(st.integers(0, 60), st.integers(0, 60), st.integers(0, 60), st.integers(0, 60))
def test_two_rates_as_a_library_has_it(a: int, b: int, c: int, d: int) -> None:
    """The same as `scipy.stats.fisher_exact` says, which is another program."""
    from scipy.stats import fisher_exact

    said = statistics.rates_differ(a, a + b, c, c + d)
    assert said == pytest.approx(fisher_exact([[a, b], [c, d]])[1], rel=1e-6)


@pytest.mark.parametrize(
    "call",
    [
        lambda: statistics.exposure_needed(0.0, 0.95),
        lambda: statistics.mean_between(0, -1.0, 0.95),
        lambda: statistics.rates_differ(3, 2, 0, 2),
        lambda: statistics.rates_differ(0, 2, -1, 2),
    ],
)
def test_no_such_counts(call: Callable[[], float]) -> None:
    """What no run can have is refused."""
    with pytest.raises(ValueError, match=r"."):
        call()
