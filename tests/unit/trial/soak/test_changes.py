"""The lines of a schedule."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.trial.soak.changes import Change, change_of, changes_of, in_order

S = 10**9
WORDS = st.text(st.characters(codec="ascii", categories=["L", "N", "P"]), min_size=1)
TIMES = st.integers(1, 10**6).map(lambda ms: ms * 10**6)


@pytest.mark.parametrize(
    ("text", "change"),
    [
        (
            "2h traffic.foreign.share=40 %",
            Change(7200 * S, "set", ("traffic.foreign.share=40 %",)),
        ),
        (
            " 90s  traffic.frame_rate=10 Hz ; traffic.dither=0 ",
            Change(90 * S, "set", ("traffic.frame_rate=10 Hz", "traffic.dither=0")),
        ),
        ("4h silence 5min", Change(14400 * S, "silence", lasts_ns=300 * S)),
        (
            "5h command ./cycle 3; sleep 1",
            Change(18000 * S, "command", command="./cycle 3; sleep 1"),
        ),
    ],
)
def test_read(text: str, change: Change) -> None:
    """Values, silences and commands."""
    assert change_of(text) == change


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2h",
        "2 h x=1",
        "h x=1",
        "2h silence",
        "2h silence 0s",
        "2h command",
        "2h x",
        "2h =1",
        "2h x=1; y",
        "-2h x=1",
    ],
)
def test_refused(text: str) -> None:
    """What means nothing is refused, and where it stood is told."""
    with pytest.raises(UsageError, match=r"nothing that could happen.* @ night.txt"):
        change_of(text, "night.txt")


def test_file() -> None:
    """Comments and empty lines are left out; a fault names its line."""
    lines = ["# load steps", "", "1h traffic.dither=0", "  # over", "30min silence 1s"]
    changes = changes_of(lines, "night.txt")
    assert [one.kind for one in changes] == ["set", "silence"]
    assert [one.kind for one in in_order(changes)] == ["silence", "set"]
    with pytest.raises(UsageError, match=r"night\.txt, line 2"):
        changes_of(["1h silence 1s", "1h what"], "night.txt")


@given(
    st.one_of(
        st.builds(Change, TIMES, st.just("silence"), lasts_ns=TIMES),
        st.builds(Change, TIMES, st.just("command"), command=WORDS),
        st.builds(
            lambda at, names: Change(at, "set", tuple(f"{n}=1" for n in names)),
            TIMES,
            st.lists(st.from_regex("[a-z.]{1,9}", fullmatch=True), min_size=1),
        ),
    )
)
def test_written_and_read(change: Change) -> None:
    """What is written down of a change is the change."""
    assert change_of(str(change)) == change
