"""How often a case fails: exact intervals, and a sequential test that is honest."""

from __future__ import annotations

import numpy as np
import pytest

from bench.fuzz.shrink.rate import CLEARLY_LESS, Doubt, Rate


def test_five_of_five_are_above_a_half():
    """One-sided, 0.05^(1/5) = 0.549 (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    assert Rate(5, 5).least() == pytest.approx(0.05 ** (1 / 5), rel=1e-12)


def test_none_of_some_is_nought():
    """A case that never failed has no least rate."""
    assert Rate(0, 20).least() == 0.0


@pytest.mark.parametrize("rate", [0.9, 0.549, 0.2])
def test_the_sequential_test_errs_no_more_often_than_stated(rate):
    """Of a thousand cases at most one in twenty is taken for the other rate's.

    Give or take what chance does to a count of them (three standard deviations).

    Wald's bounds on both errors: Annals of Mathematical Statistics 16 (1945) 117.
    """
    draws = np.random.default_rng(5)
    most = 1000 * 0.05 + 3 * (1000 * 0.05 * 0.95) ** 0.5
    for real, wrong in ((rate, False), (rate / CLEARLY_LESS, True)):
        errors = 0
        for _ in range(1000):
            doubt = Doubt(rate)
            while doubt.answer is None:
                doubt.add(failed=bool(draws.random() < real))
            errors += doubt.answer is wrong
        assert errors <= most
