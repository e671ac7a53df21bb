"""The whole firmware, as a program, under good and hostile traffic."""

from hypothesis import given, settings
from hypothesis import strategies as st

from bench.strategies import traffic


@given(data=st.data())
@settings(deadline=None, max_examples=100)
def test_it_shows_what_it_has_to_show(nightbench_child, data):
    """Whatever is sent, it shows what a node by the profile shows, and no more."""
    sent = data.draw(traffic(nightbench_child.profile), label="sent")
    did = nightbench_child.send(sent)
    assert did.shown == sent.shown


@given(data=st.data())
@settings(deadline=None, max_examples=20)
def test_every_burst_has_its_clocks(nightbench_child, data):
    """One clock for every bit of a lane."""
    sent = data.draw(traffic(nightbench_child.profile, only="good"), label="sent")
    did = nightbench_child.send(sent)
    assert {clocks for one in did.clocks.values() for clocks in one} == {32}
