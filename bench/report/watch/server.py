"""The thread that answers: bounded, read-only, and never in the way of the run.

Every answer is made beforehand; a connection carries one request and is cut off after a
few seconds.  Only so many are answered at once.  The page and its two parts say nothing
of the run; only the snapshot does, and only that needs the token, which a browser keeps
behind the "#" of its address and so never sends as part of one.
"""

from __future__ import annotations

import os
import socket
import sys
from collections import deque
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from socketserver import TCPServer
from threading import BoundedSemaphore, Thread, Timer
from typing import TYPE_CHECKING, Any, Self

from bench.base.errors import Fault, UsageError
from bench.report.watch.guard import may_see, place_of, refused
from bench.report.watch.told import as_json, brief, told

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import TracebackType

MOST_AT_ONCE = 8
"""Connections that are answered at once; a browser opens six."""

REQUEST_S = 5.0
"""How long a connection may take: one that is held open holds nobody else up."""

RECENT = 360
"""Intervals that the ribbon shows: an hour of ten seconds each."""

_POLL_S = 0.1
_BACKLOG = 16

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": _POLICY,
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}

_PARTS = {
    "/": ("page.html", "text/html; charset=utf-8"),
    "/page.css": ("page.css", "text/css; charset=utf-8"),
    "/page.js": ("page.js", "text/javascript; charset=utf-8"),
}

SNAPSHOT = "/snapshot"


class Watch:
    """A live page of a run; read-only, on the loopback address unless told otherwise.

    Attributes:
        port: Where it listens.
        url: What to open in a browser, the token included.
    """

    def __init__(
        self, port: int, address: str = "127.0.0.1", token: str | None = None
    ) -> None:
        """Begin to answer.

        Args:
            port: 0 for any that is free.
            address: An address of this machine; any but a loopback one needs a token.
            token: What has to be known to see the snapshot; see `new_token`.

        Raises:
            UsageError: If nothing can be served there.
        """
        number, loopback = place_of(address, port, token)
        self._recent: deque[dict[str, Any]] = deque(maxlen=RECENT)
        self._number: object = None
        answers = {path: _part(*part) for path, part in _PARTS.items()}
        try:
            self._server = _Server((number, port), answers, token, loopback=loopback)
        except OSError as error:
            what, why = "page cannot be served", error.strerror or str(error)
            raise UsageError(
                Fault(what, why, where=f"--watch {number}:{port}")
            ) from error
        self.port: int = self._server.server_address[1]
        host = f"[{number}]" if ":" in number else number
        self.url = f"http://{host}:{self.port}/" + (f"#{token}" if token else "")
        self.show({})
        self._thread = Thread(
            target=self._server.serve_forever, args=(_POLL_S,), daemon=True
        )
        self._thread.start()

    def show(self, snapshot: Mapping[str, Any]) -> None:
        """Let this be seen from now on.

        Args:
            snapshot: See `bench.report.watch.told`; an interval in it with another
                number than the one before goes into the ribbon.
        """
        content = told(snapshot)
        interval = content["interval"]
        if interval is not None and interval["number"] != self._number:
            self._number = interval["number"]
            self._recent.append(brief(interval))
        self._server.snapshot = as_json(content, self._recent)

    def close(self) -> None:
        """Answer no more; may be repeated."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def _part(name: str, kind: str) -> tuple[bytes, str]:
    return Path(__file__).with_name(name).read_bytes(), kind


class _Server(ThreadingHTTPServer):
    """Answers a few at once, and forgets whoever is too slow."""

    daemon_threads = True
    block_on_close = False
    request_queue_size = _BACKLOG
    # Elsewhere it would let two programs listen at one port.
    allow_reuse_address = os.name == "posix"

    def __init__(
        self,
        place: tuple[str, int],
        answers: dict[str, tuple[bytes, str]],
        token: str | None,
        *,
        loopback: bool,
    ) -> None:
        self.address_family = socket.AF_INET6 if ":" in place[0] else socket.AF_INET
        self.answers = answers
        self.token = token
        self.loopback = loopback
        self.snapshot = b"{}"
        self._room = BoundedSemaphore(MOST_AT_ONCE)
        super().__init__(place, _Handler)

    def server_bind(self) -> None:
        """See the base class, whose own asks a name server who we are."""
        TCPServer.server_bind(self)

    def process_request(self, request: Any, client_address: Any) -> None:
        """See the base class; whoever finds no room is sent away at once."""
        if self._room.acquire(blocking=False):
            super().process_request(request, client_address)
            return
        with suppress(OSError):
            request.send(b"HTTP/1.0 503 Busy\r\nRetry-After: 2\r\n\r\n")
        self.shutdown_request(request)

    def process_request_thread(self, request: Any, client_address: Any) -> None:
        """See the base class."""
        end = Timer(REQUEST_S, _cut_off, (request,))
        end.daemon = True
        end.start()
        try:
            super().process_request_thread(request, client_address)
        finally:
            end.cancel()
            self._room.release()

    def handle_error(self, request: Any, client_address: Any) -> None:  # noqa: ARG002
        """See the base class: a reader who went away is nobody's trouble."""
        error = sys.exception()
        if error is not None and not isinstance(error, OSError):
            raise error


def _cut_off(request: socket.socket) -> None:
    with suppress(OSError):
        request.shutdown(socket.SHUT_RDWR)


class _Handler(BaseHTTPRequestHandler):
    """One request, one answer."""

    server: _Server
    timeout = REQUEST_S

    def do_GET(self) -> None:
        """Answer with one of the few things that there are."""
        server = self.server
        if (why := refused(self.headers, loopback=server.loopback)) is not None:
            self.send_error(*why)
            return
        path = self.path.partition("?")[0]
        if path == SNAPSHOT:
            if may_see(self.headers, server.token):
                self._answer(200, server.snapshot, "application/json")
            else:
                self.send_error(401, "needs the token")
        elif path in server.answers:
            self._answer(200, *server.answers[path])
        else:
            self.send_error(404, "nothing here")

    def do_HEAD(self) -> None:
        """The same without its content."""
        self.do_GET()

    def send_error(
        self, code: int, message: str | None = None, explain: str | None = None
    ) -> None:
        """See the base class; nothing of the request comes back in the answer."""
        del explain
        told_ = message if code in (400, 401, 403, 404, 421) else None
        text = told_ or "not understood"
        self._answer(int(code), f"{text}\n".encode("ascii", "replace"), "text/plain")

    def version_string(self) -> str:
        """See the base class."""
        return "nightbench"

    def log_message(self, *words: Any) -> None:
        """Nobody is told: standard error belongs to the run."""

    def _answer(self, code: int, content: bytes, kind: str) -> None:
        self.send_response_only(code)
        for name, value in _HEADERS.items():
            self.send_header(name, value)
        if code == 401:
            self.send_header("WWW-Authenticate", 'Bearer realm="nightbench"')
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(content)
