"""Who may talk to the bench: one-time address, cookie, host, origin; headers of every answer."""

from __future__ import annotations

import asyncio
import hmac
import secrets
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

_TOKEN_BYTES = 32
"""Random bytes of an address and of a cookie: 256 bits cannot be guessed."""
OPERATOR, VIEWER = "operator", "viewer"
_MOST_IDLE = 32
"""Connections without a request: a browser keeps six for each page. Half of what the server takes
in all, so that there is always room for a request. Assumed."""
_REFUSED = {
    413: "The bench takes no uploads.\n",
    421: "The bench does not answer at this address. Open the one that the terminal printed.\n",
}


@dataclass
class Keys:
    """Secrets of one start of the server.

    The operator's address works once; whoever opens it gets a cookie. With sharing, the viewers'
    address works as long as the server runs, and gives a cookie that can only look.
    """

    port: int
    shared: bool = False
    one_device: bool = False
    """Whether the cookie of the device before is void once a new address was opened."""
    operator_token: str | None = None
    viewer_token: str | None = None
    _operator_cookie: str = field(default_factory=lambda: secrets.token_urlsafe(_TOKEN_BYTES))
    _viewer_cookie: str = field(default_factory=lambda: secrets.token_urlsafe(_TOKEN_BYTES))
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.new_operator_token()
        if self.shared:
            self.viewer_token = secrets.token_urlsafe(_TOKEN_BYTES)

    @property
    def cookie_name(self) -> str:
        """Cookies do not know ports, so the name does."""
        return f"endpoint_bench_{self.port}"

    def new_operator_token(self) -> str:
        """Make a new one-time token; the one before is void."""
        with self._lock:
            self.operator_token = secrets.token_urlsafe(_TOKEN_BYTES)
            return self.operator_token

    def redeem(self, token: str) -> str | None:
        """Cookie for a token, or None; an operator's token is used up."""
        given = token.encode()
        with self._lock:
            held = self.operator_token
            if held is not None and hmac.compare_digest(given, held.encode()):
                self.operator_token = None
                if self.one_device:
                    self._operator_cookie = secrets.token_urlsafe(_TOKEN_BYTES)
                return self._operator_cookie
            held = self.viewer_token
            if held is not None and hmac.compare_digest(given, held.encode()):
                return self._viewer_cookie
        return None

    def role(self, headers: Headers) -> str | None:
        """Role of a request by its cookie, None without a good one."""
        given = cookie_parser(headers.get("cookie", "")).get(self.cookie_name, "").encode()
        if hmac.compare_digest(given, self._operator_cookie.encode()):
            return OPERATOR
        if self.shared and hmac.compare_digest(given, self._viewer_cookie.encode()):
            return VIEWER
        return None


def policy(hosts: tuple[str, ...], *, sockets: bool = True) -> str:
    """Content security policy: own files only, no inline script or style, no framing."""
    links = "".join(f" ws://{host}" for host in hosts) if sockets else ""
    return (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        f"media-src 'self' blob:; connect-src 'self'{links}; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'"
    )


REPORT_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
"""Of a report, which holds its style and pictures itself; it names the hash of that style too."""


class Guard:
    """ASGI layer around everything: host, origin and headers.

    Parameters
    ----------
    app:
        What is guarded.
    hosts:
        Host headers that are served, with port; everything else may be a rebound name.
    takes:
        Addresses to which something may be sent, with the most bytes of it, over TLS. Without any,
        as at the bench, nothing can be uploaded.
    """

    def __init__(
        self, app: ASGIApp, hosts: tuple[str, ...], takes: Mapping[str, int] | None = None
    ) -> None:
        self._app, self._hosts, self._takes = app, hosts, dict(takes or {})
        scheme = "https" if self._takes else "http"
        self._origins = tuple(f"{scheme}://{host}" for host in hosts)
        self._headers = {
            "content-security-policy": policy(hosts, sockets=not self._takes),
            "x-content-type-options": "nosniff",
            "referrer-policy": "no-referrer",
            "cross-origin-opener-policy": "same-origin",
            "cross-origin-resource-policy": "same-origin",
            "permissions-policy": "camera=(self), microphone=(), geolocation=()",
            "cache-control": "no-store",
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what comes from an own page, refuse the rest."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        socket = scope["type"] == "websocket"
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        good_host = len(hosts) == 1 and hosts[0] in self._hosts
        good_origin = len(origins) == (1 if socket else len(origins[:1])) and all(
            origin in self._origins for origin in origins
        )
        if not (good_host and good_origin):
            await self._refuse(scope, receive, send, 421)
            return
        if not socket and not self._may_bring(scope, headers):
            await self._refuse(scope, receive, send, 413)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    # A report brings a policy of its own, see `REPORT_POLICY`.
                    out.setdefault(name, value)
            await send(message)

        await self._app(scope, receive, send if socket else with_headers)

    def _may_bring(self, scope: Scope, headers: Headers) -> bool:
        """Whether a request brings nothing, or no more than its address takes."""
        length = headers.get("content-length", "0")
        if "transfer-encoding" in headers or not (length.isascii() and length.isdecimal()):
            return False
        most = self._takes.get(scope["path"], 0) if scope["method"] == "POST" else 0
        return len(length) < 16 and int(length) <= most

    async def _refuse(self, scope: Scope, receive: Receive, send: Send, status: int) -> None:
        if scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": ""})
            return
        # The connection is closed, so that what else is sent on it is not read.
        answer = PlainTextResponse(
            _REFUSED[status], status_code=status, headers={**self._headers, "connection": "close"}
        )
        await answer(scope, receive, send)


class Patient(H11Protocol):
    """A connection that gives way: when many are open, the oldest without a request is closed.

    So connections that ask for nothing, or never come to the end of a request, keep nobody out.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a connection, and close the oldest idle one if there are too many."""
        super().connection_made(transport)
        self.since_s = time.monotonic()
        idle = [c for c in self.connections if isinstance(c, Patient) and c.is_idle()]
        if len(idle) > _MOST_IDLE:
            min(idle, key=lambda c: c.since_s).transport.close()

    def is_idle(self) -> bool:
        """Whether it is open and no request is being answered."""
        answered = self.cycle is None or self.cycle.response_complete
        return answered and not self.transport.is_closing()


class Bucket:
    """Bound on a rate: so many at once, so many a second on the long run."""

    def __init__(self, per_s: float, at_once: float) -> None:
        self._per_s, self._most = per_s, at_once
        self._left, self._at = at_once, time.monotonic()

    def take(self) -> bool:
        """Whether one more is within the bound."""
        now = time.monotonic()
        self._left = min(self._most, self._left + (now - self._at) * self._per_s)
        self._at = now
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True
