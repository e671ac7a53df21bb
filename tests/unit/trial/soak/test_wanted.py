"""A wanted bound: how it is written, and what it takes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.judge.statistics import binomial_upper
from bench.trial.soak.wanted import wanted_of


@pytest.mark.parametrize(
    ("text", "rate", "confidence"),
    [
        ("1e-6", 1e-6, 0.95),
        ("1e-6@0.99", 1e-6, 0.99),
        (" 0.001 @ 99.9% ", 0.001, 0.999),
    ],
)
def test_read(text: str, rate: float, confidence: float) -> None:
    """A rate, and a confidence as a share or in percent."""
    wanted = wanted_of(text)
    assert wanted.rate == rate
    assert wanted.confidence == pytest.approx(confidence)


@pytest.mark.parametrize("text", ["", "0", "1", "-1e-6", "nan", "inf", "1e-6@", "a@b"])
@pytest.mark.parametrize("at", ["", "@0", "@1", "@nan", "@95"])
def test_refused(text: str, at: str) -> None:
    """What is no bound is refused in one line that names the option."""
    with pytest.raises(UsageError, match=r"no bound: .* @ --until-below"):
        wanted_of((text or "x") + at, "--until-below")


def test_packets() -> None:
    """29,956 clean packets for 1e-4 at 95 %, by the success-run theorem.

    ln 0.05 / ln(1 - 1e-4) = 29,955.8; the 29,957 that is also seen is 2.9957 / 1e-4,
    the Poisson bound.
    """
    assert wanted_of("1e-4@0.95").packets == 29_956
    assert wanted_of("1e-6").packets == 2_995_731


@given(st.floats(1e-7, 0.1), st.floats(0.5, 0.999))
def test_reached_when_told(rate: float, confidence: float) -> None:
    """That many packets without a loss reach the bound; one fewer does not."""
    wanted = wanted_of(f"{rate!r}@{confidence!r}")
    n = wanted.packets
    assert binomial_upper(0, n, wanted.confidence) <= wanted.rate * (1 + 1e-12)
    if n > 1:
        assert binomial_upper(0, n - 1, wanted.confidence) > wanted.rate * (1 - 1e-12)


def test_told() -> None:
    """What it takes is told in packets and in time on the line."""
    text = wanted_of("1e-6").told(80.0)
    assert "2 995 731 packets, none of them lost: 10 h 24 min 7 s on the line" in text
    assert wanted_of("1e-6").told(0.0).endswith("none of them lost")
