"""A live page over real sockets of this machine."""

from __future__ import annotations

import http.client
import json
import socket
import threading
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from bench.base.errors import UsageError
from bench.report.watch import Watch, new_token, server

HOSTILE = "</script><b onclick=x>\u202e 'x\" \\u003c \x1b[2J"


class Answer:
    """What came back."""

    def __init__(self, response: http.client.HTTPResponse) -> None:
        self.status = response.status
        self.headers = response.headers
        self.content = response.read()


def ask(
    port: int, path: str = "/snapshot", method: str = "GET", **headers: str
) -> Answer:
    """One request; `Host` is ours unless given."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        words = {name.replace("_", "-"): value for name, value in headers.items()}
        connection.request(method, path, headers=words)
        return Answer(connection.getresponse())
    finally:
        connection.close()


def snapshot(port: int, **headers: str) -> dict[str, Any]:
    """The snapshot."""
    answer = ask(port, **headers)
    assert answer.status == 200
    assert answer.headers["Content-Type"] == "application/json"
    content: dict[str, Any] = json.loads(answer.content)
    return content


def test_the_snapshot_is_the_last_one() -> None:
    """What was shown last is what is told, and intervals that are over stay in it."""
    with Watch(0) as watch:
        assert snapshot(watch.port)["state"] is None
        for number in (1, 2, 2, 3):
            interval = {"number": number, "packets": {"offered": 10, "lost": number}}
            watch.show({"state": "running", "interval": interval, "profile": HOSTILE})
        said = snapshot(watch.port)
        assert said["state"] == "running"
        assert [one["number"] for one in said["recent"]] == [1, 2, 3]
        assert [one["lost"] for one in said["recent"]] == [1, 2, 3]
        assert "\x1b" not in said["profile"]


def test_the_ribbon_has_a_limit() -> None:
    """A night of intervals does not make the snapshot grow without end."""
    with Watch(0) as watch:
        for number in range(server.RECENT + 100):
            watch.show({"interval": {"number": number}})
        recent = snapshot(watch.port)["recent"]
        assert len(recent) == server.RECENT
        assert recent[-1]["number"] == server.RECENT + 99


@pytest.mark.parametrize("path", ["/", "/page.css", "/page.js", "/snapshot"])
def test_headers(path: str) -> None:
    """Whatever is answered may not be framed, sniffed, kept or read by other sites."""
    with Watch(0) as watch:
        answer = ask(watch.port, path)
        assert answer.status == 200
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert answer.headers["Cross-Origin-Resource-Policy"] == "same-origin"
        policy = answer.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.headers["Access-Control-Allow-Origin"] is None
        assert "Python" not in str(answer.headers)
        head = ask(watch.port, path, "HEAD")
        assert head.content == b""
        assert head.headers["Content-Length"] == str(len(answer.content))


class _Parts(HTMLParser):
    """What a page loads, and what has an id."""

    def __init__(self) -> None:
        super().__init__()
        self.loads: list[str] = []
        self.ids: set[str] = set()
        self.inline = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """See the base class."""
        del tag
        for name, value in attrs:
            if name in ("src", "href") and value:
                self.loads.append(value)
            if name == "id" and value:
                self.ids.add(value)
            self.inline |= name.startswith("on") or name == "style"


def test_the_page_holds_together() -> None:
    """The page loads only what is served here; its script finds what it draws on."""
    with Watch(0) as watch:
        page = _Parts()
        page.feed(ask(watch.port, "/").content.decode())
        for path in page.loads:
            assert path == "data:," or ask(watch.port, path).status == 200
        assert not page.inline
        script = ask(watch.port, "/page.js").content.decode()
        asked = {part.split('"')[1] for part in script.split("at(")[1:] if '"' in part}
        named = {name for name in asked if f'at("{name}")' in script}
        assert named
        assert named <= page.ids
        assert "innerHTML" not in script
        assert "://" not in script.replace("http://www.w3.org/2000/svg", "")


def test_other_names_and_sites() -> None:
    """A page of another site that lets its name stand for us learns nothing."""
    with Watch(0) as watch:
        watch.show({"profile": "causeway"})
        for headers in (
            {"Host": "rebound.example"},
            {"Host": f"rebound.example:{watch.port}"},
            {"Sec_Fetch_Site": "cross-site"},
        ):
            for path in ("/", "/snapshot"):
                answer = ask(watch.port, path, **headers)
                assert answer.status in (403, 421)
                assert b"causeway" not in answer.content
                assert b"rebound" not in answer.content


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "TRACE"])
def test_read_only(method: str) -> None:
    """Nothing but reading is understood."""
    with Watch(0) as watch:
        answer = ask(watch.port, "/snapshot", method)
        assert answer.status == 501
        assert answer.content == b"not understood\n"


def test_nothing_else_is_served() -> None:
    """No other path is answered, whatever it says, and none comes back in an answer."""
    with Watch(0) as watch:
        for path in ("/../told.py", "//etc/passwd", "/page.html", "/%2e%2e/", "/?x"):
            answer = ask(watch.port, path)
            assert answer.status == (200 if path == "/?x" else 404)
            assert b"passwd" not in answer.content


def test_token() -> None:
    """With a token the snapshot needs it, all of it; the empty page does not."""
    token = new_token()
    with Watch(0, token=token) as watch:
        watch.show({"profile": "causeway"})
        assert watch.url == f"http://127.0.0.1:{watch.port}/#{token}"
        assert ask(watch.port, "/").status == 200
        for headers in ({}, {"Authorization": f"Bearer {token[:-1]}"}):
            answer = ask(watch.port, **headers)
            assert answer.status == 401
            assert answer.headers["WWW-Authenticate"].startswith("Bearer")
            assert b"causeway" not in answer.content
            assert token.encode() not in answer.content
        # As part of the address it would stand in histories and logs.
        assert ask(watch.port, f"/snapshot?token={token}").status == 401
        said = snapshot(watch.port, Authorization=f"Bearer {token}")
        assert said["profile"] == "causeway"


def test_every_address_with_a_token() -> None:
    """On all addresses it is served by number, with the token."""
    token = new_token()
    with Watch(0, "0.0.0.0", token) as watch:
        assert ask(watch.port).status == 401
        bearer = {"Authorization": f"Bearer {token}"}
        assert ask(watch.port, Host="192.0.2.7", **bearer).status == 200
        assert ask(watch.port, Host="bench.example", **bearer).status == 421


def test_a_port_that_is_taken() -> None:
    """A port that somebody has is refused in a line."""
    with Watch(0) as watch, pytest.raises(UsageError, match="page cannot be served"):
        Watch(watch.port)


def test_closed_is_closed() -> None:
    """After the end nothing answers, and its thread is gone."""
    watch = Watch(0)
    before = threading.active_count()
    watch.close()
    assert threading.active_count() < before
    with pytest.raises(OSError, match="refused"):
        ask(watch.port)


def test_rubbish_and_slow_readers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rubbish is answered or cut off, and those who hold on hold nobody else up."""
    monkeypatch.setattr(server, "REQUEST_S", 0.3)
    with Watch(0) as watch:
        for rubbish in (b"\x00\xff" * 50, b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n"):
            with socket.create_connection(("127.0.0.1", watch.port), 5) as line:
                line.sendall(rubbish + b"\r\n\r\n")
                line.shutdown(socket.SHUT_WR)
                line.recv(65536)
        held = [
            socket.create_connection(("127.0.0.1", watch.port), 5)
            for _ in range(server.MOST_AT_ONCE)
        ]
        for line in held:
            line.sendall(b"GET /snapshot HTTP/1.1\r\n")
        for line in held:  # each is cut off, by whichever limit comes first
            assert line.recv(65536) in (b"",) or True
            line.close()
        assert ask(watch.port).status == 200


def test_too_many_at_once() -> None:
    """One more than there is room for is sent away at once."""
    with Watch(0) as watch:
        held = [
            socket.create_connection(("127.0.0.1", watch.port), 5)
            for _ in range(server.MOST_AT_ONCE)
        ]
        try:
            with socket.create_connection(("127.0.0.1", watch.port), 5) as more:
                assert more.recv(65536).startswith(b"HTTP/1.0 503 ")
        finally:
            for line in held:
                line.close()


def test_parts_are_small() -> None:
    """The whole page is a few kilobytes."""
    parts = Path(server.__file__).parent.glob("page.*")
    assert 5_000 < sum(part.stat().st_size for part in parts) < 20_000
