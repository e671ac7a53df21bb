"""Every transport passes the one contract."""

from __future__ import annotations

import pytest
from links.contract import (
    CALLS,
    CONTRACT,
    a_lost_far_end_is_one_error,
    accepted_is_exact_under_back_pressure,
)
from links.rigs import RIGS


@pytest.fixture(params=RIGS)
def rig(request):
    """A transport with its other end."""
    rig = RIGS[request.param]()
    yield rig
    rig.close()


@pytest.mark.parametrize("promise", CONTRACT, ids=lambda promise: promise.__name__)
def test_it_keeps(rig, promise):
    """One promise of the contract, over one transport."""
    if promise is accepted_is_exact_under_back_pressure and not rig.holds:
        pytest.skip("a network, or a server, takes octets off our hands without end")
    if promise is a_lost_far_end_is_one_error and not rig.loses:
        pytest.skip("nothing at the other end that could go away")
    promise(rig)


@pytest.mark.parametrize("call", CALLS)
def test_any_call_notices_a_loss(rig, call):
    """It does not matter which call is the first to meet it."""
    if not rig.loses:
        pytest.skip("nothing at the other end that could go away")
    rig.first_call = call
    a_lost_far_end_is_one_error(rig)
