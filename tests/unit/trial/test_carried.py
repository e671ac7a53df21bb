"""Chunks on their way over a live link: threads get the interpreter in time."""

from __future__ import annotations

import sys

import pytest

from bench.trial.carried import SWITCH_S, prompt


def test_threads_switch_soon_and_as_before_afterwards():
    """Within the stretch that the pacer spins; restored, also after an error."""
    before_s = sys.getswitchinterval()
    with prompt():
        assert sys.getswitchinterval() == pytest.approx(SWITCH_S)
    assert sys.getswitchinterval() == pytest.approx(before_s)
    with pytest.raises(KeyError), prompt():
        raise KeyError
    assert sys.getswitchinterval() == pytest.approx(before_s)


def test_a_shorter_one_is_left():
    """Who asked for less has his reasons."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S / 10)
    try:
        with prompt():
            assert sys.getswitchinterval() == pytest.approx(SWITCH_S / 10)
    finally:
        sys.setswitchinterval(before_s)
