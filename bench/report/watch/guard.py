"""Who may look: nothing here does input or output.

On a loopback address anybody on the machine may.  A page of some other site must not,
though: by letting its own name stand for this machine's address (DNS rebinding) it
would come to be of one origin with us.  So a request has to name us by an address, or
as localhost.  Any other address is served only with a token, which is compared in a
time that does not depend on how much of it is right.
"""

from __future__ import annotations

import hmac
import secrets
from ipaddress import ip_address
from typing import Protocol

from bench.base.errors import Fault, UsageError
from bench.base.units import shown

LOCALHOST = "localhost"

LEAST_TOKEN = 16
"""Signs of a token; shorter ones can be tried out."""

_TOKEN_OCTETS = 18
_SCHEME = "Bearer "
_MOST_PORT = 0xFFFF


class Headers(Protocol):
    """The headers of a request, looked up without regard to case."""

    def get(self, name: str, /) -> str | None:
        """One of them, or None."""
        ...


def new_token() -> str:
    """A token that nobody guesses, of signs that an address may hold."""
    return secrets.token_urlsafe(_TOKEN_OCTETS)


def place_of(address: str, port: int, token: str | None) -> tuple[str, bool]:
    """Where to listen, and whether that is this machine only.

    Args:
        address: An address of this machine, or localhost.
        port: 0 for any that is free.
        token: What has to be known to look; None for nothing.

    Raises:
        UsageError: If that is no place to listen, or needs a token and has none.
    """
    if not 0 <= port <= _MOST_PORT:
        fault = Fault("out of range", str(port), f"0 to {_MOST_PORT}", "--watch")
        raise UsageError(fault)
    number = "127.0.0.1" if address == LOCALHOST else address
    if number.startswith("[") and number.endswith("]"):  # as beside a port
        number = number[1:-1]
    try:
        loopback = ip_address(number).is_loopback
    except ValueError as error:
        expected = "an address of this machine, such as 127.0.0.1"
        fault = Fault("not an address", shown(address), expected, "--watch")
        raise UsageError(fault) from error
    if token is None and not loopback:
        mend = "without one the page is for this machine only"
        fault = Fault("needs a token", address, where="--watch", mend=mend)
        raise UsageError(fault)
    if token is not None and not _is_token(token):
        expected = f"at least {LEAST_TOKEN} letters, digits, '-', '_'"
        raise UsageError(Fault("not a token", "", expected, "--watch"))
    return number, loopback


def refused(headers: Headers, *, loopback: bool) -> tuple[int, str] | None:
    """Why a request is not answered, as a status and its sentence; None if it is.

    Args:
        headers: Of the request.
        loopback: Whether only this machine is served.
    """
    host = headers.get("Host")
    if host is None:
        return 400, "no host named"
    if not _is_ours(host, loopback=loopback):
        return 421, "not served under this name"
    if headers.get("Sec-Fetch-Site") in ("cross-site", "same-site"):
        return 403, "not for other sites"
    return None


def may_see(headers: Headers, token: str | None) -> bool:
    """Whether a request knows the token, where one is needed."""
    if token is None:
        return True
    said = headers.get("Authorization") or ""
    if not said.startswith(_SCHEME):
        return False
    given = said.removeprefix(_SCHEME).strip()
    return hmac.compare_digest(given.encode(), token.encode())


def _is_token(text: str) -> bool:
    signs = text.replace("-", "").replace("_", "")
    return len(text) >= LEAST_TOKEN and signs.isascii() and signs.isalnum()


def _is_ours(host: str, *, loopback: bool) -> bool:
    """Whether a Host header names us as we may be named.

    The port is no matter: somebody may have tunnelled it.
    """
    name = host.strip().lower()
    if name.startswith("["):
        name, closed, rest = name[1:].partition("]")
        if not closed or (rest and not rest.startswith(":")):
            return False
    elif name.count(":") <= 1:
        name = name.partition(":")[0]
    if name == LOCALHOST:
        return True
    try:
        address = ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or not loopback
