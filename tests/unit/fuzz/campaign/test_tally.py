"""Attacks × outcomes: records add up in any order."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from bench.fuzz.campaign.tally import Example, Tally, explained, record_of

names = st.sampled_from(["runt", "giant", "calm", "noise-before"])
oracles = st.sampled_from(["alive", "unsound", "clocks"])
cases = st.tuples(
    st.lists(names, min_size=1, max_size=3),
    st.lists(oracles, max_size=2),
    st.integers(1, 5).map(lambda rows: {"rows": [["calm", 0, 0]] * rows}),
)


def summed(blocks):
    """A tally of blocks."""
    tally = Tally()
    for block in blocks:
        tally.add(record_of(block, first=0))
    return tally


@given(st.lists(st.lists(cases, max_size=6), max_size=5), st.randoms())
def test_blocks_add_up_in_any_order(blocks, random):
    """Counts are the same, and so is how small the smallest example is."""
    mixed = list(blocks)
    random.shuffle(mixed)
    one, other = summed(blocks), summed(mixed)
    order = ["calm", "giant", "runt", "noise-before"]
    assert one.rows(order) == other.rows(order)
    assert (one.cases, one.found) == (other.cases, other.found)
    assert {key: example.rows for key, example in one.examples.items()} == {
        key: example.rows for key, example in other.examples.items()
    }


@given(st.lists(cases, max_size=9))
def test_every_case_is_counted(block):
    """Good ones and those that broke something are all of them, attack by attack."""
    tally = summed([block])
    for row in tally.rows(["calm", "giant", "runt", "noise-before"]):
        mine = [one for one in block if row["attack"] in one[0]]
        assert row["cases"] == len(mine)
        assert row["found"] == sum(1 for one in mine if one[1])
        assert row["good"] == row["cases"] - row["found"]


def test_an_example_comes_once():
    """Only what had not been broken before is worth a look."""
    record = record_of([(["runt"], ["alive"], {"rows": [["runt", 0, 0]]})], first=0)
    tally = Tally()
    assert len(tally.add(record)) == 1
    assert tally.add(record) == []


def test_what_a_smallest_case_accounts_for():
    """The same oracle, and all that it is made of."""
    example = Example("alive", ("runt", "giant"), {"rows": []})
    assert explained(example, ["alive"], ["runt"])
    assert explained(example, ["recovery", "alive"], [])
    assert not explained(example, ["recovery"], ["runt"])
    assert not explained(example, ["alive"], ["runt", "calm"])
