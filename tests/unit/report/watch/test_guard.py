"""Who may look at a live page."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.base.errors import UsageError
from bench.report.watch.guard import may_see, new_token, place_of, refused

TOKEN = "a-token-of-enough_signs"


@pytest.mark.parametrize(
    ("address", "number"),
    [
        ("127.0.0.1", "127.0.0.1"),
        ("localhost", "127.0.0.1"),
        ("::1", "::1"),
        ("[::1]", "::1"),
    ],
)
def test_this_machine_needs_no_token(address: str, number: str) -> None:
    """A loopback address is served as it is."""
    assert place_of(address, 8080, None) == (number, True)


@pytest.mark.parametrize("address", ["0.0.0.0", "192.0.2.7", "::", "2001:db8::1"])
def test_elsewhere_needs_a_token(address: str) -> None:
    """Any other address is refused without a token, and served with one."""
    with pytest.raises(UsageError, match=r"needs a token: .* @ --watch"):
        place_of(address, 8080, None)
    assert place_of(address, 8080, TOKEN) == (address, False)


@pytest.mark.parametrize(
    ("address", "port", "token", "what"),
    [
        ("bench.example", 8080, TOKEN, "not an address"),
        ("", 8080, None, "not an address"),
        ("127.0.0.1", 65536, None, "out of range"),
        ("127.0.0.1", -1, None, "out of range"),
        ("127.0.0.1", 8080, "short", "not a token"),
        ("127.0.0.1", 8080, "spaces in between it", "not a token"),
    ],
)
def test_no_place(address: str, port: int, token: str | None, what: str) -> None:
    """What is no place, or no token, is told in a line that holds no token."""
    with pytest.raises(UsageError, match=what) as told:
        place_of(address, port, token)
    assert token is None or token not in str(told.value)


def test_new_tokens_differ_and_are_tokens() -> None:
    """A token that is made is one, and no two are the same."""
    made = {new_token() for _ in range(100)}
    assert len(made) == 100
    for token in made:
        assert place_of("0.0.0.0", 1, token) == ("0.0.0.0", False)


OURS = ["127.0.0.1", "127.0.0.1:8080", "localhost:1", "LOCALHOST", "[::1]:80", "[::1]"]


@pytest.mark.parametrize("host", OURS)
def test_our_names(host: str) -> None:
    """An address or localhost is us, whatever the port: it may be tunnelled."""
    assert refused({"Host": host}, loopback=True) is None
    assert refused({"Host": host}, loopback=False) is None


@pytest.mark.parametrize(
    "host",
    [
        "rebound.example",
        "rebound.example:8080",
        "localhost.rebound.example",
        "127.0.0.1.rebound.example",
        "127.0.0.1@rebound.example",
        "[::1].rebound.example",
        "[::1",
        "",
        "127.1",
        "0x7f000001",
    ],
)
def test_other_names(host: str) -> None:
    """A name that anybody can let stand for us is not answered (RFC 9110, 421)."""
    for loopback in (True, False):
        told = refused({"Host": host}, loopback=loopback)
        assert told == (421, "not served under this name")


def test_addresses_of_a_network() -> None:
    """On the loopback address only loopback addresses are us, elsewhere any address."""
    assert refused({"Host": "192.0.2.7:8080"}, loopback=True) is not None
    assert refused({"Host": "192.0.2.7:8080"}, loopback=False) is None


def test_no_host_and_other_sites() -> None:
    """Whoever names no host, or comes from the page of another site, gets nothing."""
    assert refused({}, loopback=True) == (400, "no host named")
    ours = {"Host": "localhost"}
    for site in ("cross-site", "same-site"):
        assert refused({**ours, "Sec-Fetch-Site": site}, loopback=True) is not None
    for site in ("none", "same-origin"):
        assert refused({**ours, "Sec-Fetch-Site": site}, loopback=True) is None


@pytest.mark.parametrize(
    ("said", "may"),
    [
        (f"Bearer {TOKEN}", True),
        (f"Bearer {TOKEN}x", False),
        (f"Bearer {TOKEN[:-1]}", False),
        (f"bearer {TOKEN}", False),
        (TOKEN, False),
        ("Bearer ", False),
        ("Bearer \u00fcber", False),
        (None, False),
    ],
)
def test_the_token(said: str | None, may: bool) -> None:
    """Only the whole token is one."""
    headers: dict[str, Any] = {} if said is None else {"Authorization": said}
    assert may_see(headers, TOKEN) is may
    assert may_see(headers, None)


@given(st.text(max_size=60))
def test_any_host_is_decided(host: str) -> None:
    """Whatever a Host header holds, it is us or it is not."""
    told = refused({"Host": host}, loopback=True)
    assert told is None or told[0] == 421
