"""What a count of losses says about the rate of loss: exact bounds, no approximation.

Every bound here assumes that packets are lost independently of each other and at one
rate throughout.  Losses that come in clumps break that, so whoever prints a bound
prints the assumption with it.

Zero events, the usual case, has a closed form; only other counts need scipy, which is
imported where it is used.
"""

from __future__ import annotations

from math import ceil, exp, expm1, log1p

__all__ = [
    "ASSUMPTION",
    "binomial_interval",
    "binomial_upper",
    "packets_needed",
    "poisson_upper",
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


def _check(events: int, trials: int, confidence: float) -> None:
    """Refuse what no count can be.

    Raises:
        ValueError: Naming the value.
    """
    if not 0 <= events <= trials:
        raise ValueError(f"{events} events in {trials} trials")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence lies between 0 and 1: {confidence}")
