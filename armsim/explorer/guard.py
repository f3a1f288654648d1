"""Access control of the page: only this machine, by its own host names, with the token of the address."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]
Headers = list[tuple[bytes, bytes]]

NAMES = ("127.0.0.1", "localhost")
REFUSED = b"refused: open the address that armsim explore has printed; a server that was started again prints a new one"
POLICY = (
    "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self' {sockets}; worker-src 'self' blob:; "
    "object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Content-Security-Policy: nothing from elsewhere. Templates compiled in the browser need inline scripts and eval."""


def cookie_name(port: int) -> str:
    """Name of the cookie of a server: browsers send cookies to every port, so that two servers would share one."""
    return f"armsim-{port}"


class Guard:
    """Middleware that refuses other hosts, other origins, and requests without the token.

    The token comes once in the address; the response stores it as a cookie that the browser sends to this site only,
    and leads on to an address without it.
    """

    def __init__(self, app: App, token: str, port: int) -> None:
        self.app, self.token, self.cookie = app, token, cookie_name(port)
        self.hosts = {f"{name}:{port}" for name in NAMES}
        policy = POLICY.format(sockets=" ".join(f"ws://{host}" for host in sorted(self.hosts)))
        self.headers: Headers = [
            (b"referrer-policy", b"no-referrer"),
            (b"x-frame-options", b"DENY"),
            (b"x-content-type-options", b"nosniff"),
            (b"content-security-policy", policy.encode()),
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass allowed requests on to the application; refuse the others."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}
        token = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        by_address = scope["type"] == "http" and self._valid_token(token)
        if not self._same_origin(headers) or not (by_address or self._has_cookie(headers.get("cookie", ""))):
            await _refuse(scope, receive, send)
            return
        if by_address:
            cookie = f"{self.cookie}={self.token}; HttpOnly; SameSite=Strict; Path=/"
            redirect: Headers = [*self.headers, (b"set-cookie", cookie.encode()), (b"location", b"/")]
            await send({"type": "http.response.start", "status": 303, "headers": redirect})
            await send({"type": "http.response.body", "body": b""})
            return

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message.get("headers", []), *self.headers]
            await send(message)

        await self.app(scope, receive, send_with_headers)

    def _valid_token(self, token: str) -> bool:
        return hmac.compare_digest(token.encode(), self.token.encode())

    def _has_cookie(self, header: str) -> bool:
        """Whether the cookies hold the token; those of other pages may be of any form."""
        pairs = (part.strip().partition("=") for part in header.split(";"))
        return any(name == self.cookie and self._valid_token(value) for name, _, value in pairs)

    def _same_origin(self, headers: dict[str, str]) -> bool:
        origin = headers.get("origin")
        return headers.get("host", "") in self.hosts and (origin is None or urlsplit(origin).netloc in self.hosts)


async def _refuse(scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": REFUSED})
