"""What a count of losses says about the rate of loss: exact bounds, no approximation.

Every bound here assumes that packets are lost independently of each other and at one
rate throughout.  Losses that come in clumps break that, so whoever prints a bound
prints the assumption with it.

Zero events, the usual case, has a closed form; only other counts need scipy, which is
imported where it is used.
"""

from __future__ import annotations

from math import ceil, exp, expm1, log1p
from typing import Any

__all__ = [
    "ASSUMPTION",
    "binomial_interval",
    "binomial_upper",
    "exposure_needed",
    "mean_between",
    "packets_needed",
    "poisson_upper",
    "rates_differ",
]

ASSUMPTION = "packets are lost independently of each other, at one rate throughout"
"""Stated beside every bound."""


def binomial_upper(events: int, trials: int, confidence: float) -> float:
    """The greatest rate that `events` in `trials` leave standing, one-sided.

    Clopper and Pearson, Biometrika 26 (1934) 404: the rate p at which so few events, or
    fewer, have a chance of 1 - confidence.  As a quantile of the beta distribution:
    p = B(confidence; events + 1, trials - events).  For no events it is
    1 - (1 - confidence)^(1/trials) (Hanley and Lippman-Hand, JAMA 249 (1983) 1743,
    whose "rule of three" is its approximation for 95 %).

    Args:
        events: How many of the trials were events.
        trials: How many there were; with none, nothing is known and the bound is 1.
        confidence: Share in (0, 1), 0.95 for 95 %.
    """
    _check(events, trials, confidence)
    if events == trials:
        return 1.0
    if events == 0:
        return -expm1(log1p(-confidence) / trials)
    from scipy.special import betaincinv

    return float(betaincinv(events + 1, trials - events, confidence))


def binomial_interval(
    events: int, trials: int, confidence: float
) -> tuple[float, float]:
    """The central two-sided interval of a rate (Clopper and Pearson, 1934).

    Each end leaves (1 - confidence)/2 outside: B(t; k, n - k + 1) and
    B(1 - t; k + 1, n - k) with t = (1 - confidence)/2, k events and n trials.

    Args:
        events: How many of the trials were events.
        trials: How many there were.
        confidence: Share in (0, 1) that the interval holds, at least.
    """
    _check(events, trials, confidence)
    upper = binomial_upper(events, trials, (1 + confidence) / 2)
    if events == 0:
        return 0.0, upper
    if events == trials:
        return exp(log1p(-(1 + confidence) / 2) / trials), upper
    from scipy.special import betaincinv

    tail = (1 - confidence) / 2
    return float(betaincinv(events, trials - events + 1, tail)), upper


def packets_needed(rate: float, confidence: float) -> int:
    """Fewest packets, none of them lost, whose upper bound is at most `rate`.

    The smallest n with (1 - rate)^n <= 1 - confidence (success-run theorem):
    n = ceil(ln(1 - confidence) / ln(1 - rate)).  For 1e-4 at 95 % that is 29,956; the
    29,957 that is also seen is -ln(0.05)/1e-4 cut off, the bound of a Poisson count.

    Args:
        rate: The wanted bound, in (0, 1).
        confidence: Share in (0, 1).
    """
    if not 0 < rate < 1:
        raise ValueError(f"a rate lies between 0 and 1: {rate}")
    _check(0, 0, confidence)
    needed = log1p(-confidence) / log1p(-rate)
    # 1 - confidence and the quotient are rounded: 90 % twice over must not need 3.
    return max(1, ceil(needed * (1 - 1e-14)))


def poisson_upper(events: int, confidence: float) -> float:
    """The greatest expected count that `events` leave standing, one-sided.

    Garwood, Biometrika 28 (1936) 437: half the chi-square quantile with
    2 (events + 1) degrees of freedom, which is the inverse of the regularised
    incomplete gamma function P(events + 1, x) = confidence.

    Args:
        events: How many were counted.
        confidence: Share in (0, 1).
    """
    _check(events, events, confidence)
    if events == 0:
        return -log1p(-confidence)
    from scipy.special import gammaincinv

    return float(gammaincinv(events + 1, confidence))


def exposure_needed(rate: float, confidence: float, events: int = 0) -> float:
    """How long to look so that so few events bound their rate.

    The length of a test of bit errors, for one: with no error, -ln(1 - confidence) over
    the rate.  It is the exposure at which `poisson_upper` comes down to the rate.

    Args:
        rate: The wanted bound, in events a unit: a bit, a packet, an hour.
        confidence: Share in (0, 1).
        events: How many of them are allowed for.

    Returns:
        In the same unit.
    """
    if not rate > 0:
        raise ValueError(f"a rate is above nought: {rate}")
    return poisson_upper(events, confidence) / rate


def mean_between(events: int, exposure: float, confidence: float) -> float:
    """The least mean time between events that a run leaves standing, one-sided.

    Events are taken to come independently, at one rate throughout (Poisson); after a
    clean run of length T it is T over -ln(1 - confidence): T / 3.0 at 95 %.

    Args:
        events: How many there were; 0 after a clean run.
        exposure: How long it was, in any unit.
        confidence: Share in (0, 1).

    Returns:
        In the unit of the exposure.
    """
    if not exposure >= 0:
        raise ValueError(f"a run has a length: {exposure}")
    return exposure / poisson_upper(events, confidence)


def rates_differ(events: int, trials: int, events_b: int, trials_b: int) -> float:
    """The chance of two counts so far apart, or further, if their rates are the same.

    Fisher's exact test, two-sided (R. A. Fisher, Statistical Methods for Research
    Workers, section 21.02): given how many events there were in all, the chances of all
    splits that are no likelier than the one that was seen.

    Args:
        events: How many of the first trials were events.
        trials: How many there were.
        events_b: The same of the second.
        trials_b: Likewise.
    """
    _check(events, trials, 0.5)
    _check(events_b, trials_b, 0.5)
    import numpy as np
    from scipy.special import gammaln

    whole, both = trials + trials_b, events + events_b
    splits = np.arange(max(0, both - trials_b), min(both, trials) + 1, dtype=np.float64)

    def ways(many: float, few: Any) -> Any:
        return gammaln(many + 1) - gammaln(few + 1) - gammaln(many - few + 1)

    logs = ways(trials, splits) + ways(trials_b, both - splits) - ways(whole, both)
    seen = logs[events - int(splits[0])]
    # Equal chances are not equal to the last bit.
    return float(min(1.0, np.exp(logs[logs <= seen + 1e-7]).sum()))


def _check(events: int, trials: int, confidence: float) -> None:
    """Refuse what no count can be.

    Raises:
        ValueError: Naming the value.
    """
    if not 0 <= events <= trials:
        raise ValueError(f"{events} events in {trials} trials")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1: {confidence}")
