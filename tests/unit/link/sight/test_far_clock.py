"""A far clock that goes on while the plan stands still."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bench.link.sight.far_clock import FarClock


def test_a_stop_is_taken_out():
    """Before it, in it, after it; a second begin forgets all."""
    far = FarClock()
    far.moved(999, 0)  # before anything came there
    far.begin(1_000)
    assert far.trial_ns(50) == 1_050
    far.moved(400, 1_300)  # far: 300 to 700
    assert [far.trial_ns(ns) for ns in (299, 300, 500, 700, 701)] == [
        1_299,
        1_300,
        1_300,
        1_300,
        1_301,
    ]
    far.moved(100, 1_500)  # far: 900 to 1000
    assert far.trial_ns(1_200) == 1_700
    far.begin(5_000)
    assert far.trial_ns(1_200) == 6_200


@given(
    st.integers(0, 10**6),
    st.lists(st.tuples(st.integers(0, 10**6), st.integers(1, 10**6)), max_size=20),
    st.lists(st.integers(0, 3 * 10**7), min_size=1, max_size=20),
)
def test_it_is_what_a_stopped_watch_says(origin_ns, stops, instants):
    """As a watch that is stopped: compared with one that is run step by step."""
    far = FarClock()
    far.begin(origin_ns)
    trial, real = origin_ns, 0
    edges = [(0, origin_ns, True)]  # far instant, trial instant, whether it goes on
    for runs_ns, stands_ns in stops:
        trial, real = trial + runs_ns, real + runs_ns
        edges.append((real, trial, False))
        far.moved(stands_ns, trial)
        real += stands_ns
        edges.append((real, trial, True))
    for ns in instants:
        at, told, goes_on = [edge for edge in edges if edge[0] <= ns][-1]
        assert far.trial_ns(ns) == told + (ns - at if goes_on else 0)
