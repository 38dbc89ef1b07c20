"""Who may ask the page's server: names that stand for this computer, the page itself, and nobody else's page.

A page of another site can send a browser here, and a name of its own that leads here makes that site the same as this
one to the browser (DNS rebinding). So the Host header has to be a name of this computer or a plain address, which no
foreign name can be, what is sent comes from this origin, and no other page may take up the answers.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

LOOPBACK = ("127.0.0.1", "localhost", "::1")
LONGEST_QUERY = 8192  # bytes
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


def host_and_port(told: str) -> tuple[str, int] | None:
    """The name and the port of a Host header (80 where it has none); None where it is none."""
    name, port = told, "80"
    if told.startswith("["):
        name, closed, rest = told[1:].partition("]")
        if not closed or (rest and not rest.startswith(":")):
            return None
        port = rest[1:] or "80"
    elif ":" in told:
        name, _, port = told.rpartition(":")
        if ":" in name:
            return None
    if not name or not port.isascii() or not port.isdigit() or len(port) > 5:
        return None
    return name.lower(), int(port)


def is_address(name: str) -> bool:
    """Whether a name is a plain address of the network, which no foreign site can have as its own name."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class Guard:
    """Lets through what this page asks, and puts the headers that keep others out on every answer."""

    def __init__(self, application: Application, port: int, names: Iterable[str] = (), open_to_all: bool = False):
        """`names` by which this computer may be called beside those of the loopback address; `open_to_all` where others
        on the network may ask as well, by its address.
        """
        self._application = application
        self._port = port
        self._names = frozenset((*LOOPBACK, *(name.lower() for name in names)))
        self._open = open_to_all

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._application(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # which closes it
        refused = self._refusal(scope)

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", ()), *HEADERS]
            await send(message)

        if refused is None:
            await self._application(scope, receive, with_headers)
            return
        status, words = refused
        kind = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
        await with_headers({"type": "http.response.start", "status": status, "headers": kind})
        await send({"type": "http.response.body", "body": words.encode()})

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Why a request is not answered; None where it is."""
        headers: dict[bytes, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name, []).append(value.decode("latin-1"))
        hosts = headers.get(b"host", [])
        place = host_and_port(hosts[0]) if len(hosts) == 1 else None
        if place is None or place[1] != self._port or not self._is_ours(place[0]):
            return 421, "This address belongs to another name."
        if scope["method"] not in ("GET", "HEAD", "POST"):
            return 405, "Only reading, and files that are dropped onto the page."
        if len(scope.get("query_string", b"")) > LONGEST_QUERY:
            return 414, "Too many settings in the address."
        if not all(part.isascii() for part in (scope.get("raw_path") or b"", scope.get("query_string", b""))):
            return 400, "An address has no such letters: they are spelled with %."
        own = f"http://{hosts[0]}".lower()
        origins = [one.lower() for one in headers.get(b"origin", [])]
        if any(one != own for one in origins) or (scope["method"] == "POST" and not origins):
            return 403, "Another page asked for this."
        sites = headers.get(b"sec-fetch-site", [])
        opened = scope["path"] == "/" and headers.get(b"sec-fetch-mode") == ["navigate"]
        if any(site not in ("same-origin", "none") for site in sites) and not opened:
            return 403, "Another page asked for this."
        return None

    def _is_ours(self, name: str) -> bool:
        return name in self._names or (self._open and is_address(name))
