"""Access control of the page: only this machine, by its own host names, with the token of the address."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "armsim"
NAMES = ("127.0.0.1", "localhost")
REFUSED = b"refused: open the address that armsim explore has printed"


class Guard:
    """Middleware that refuses other hosts, other origins, and requests without the token.

    The token comes once in the address; the response stores it as a cookie that the browser sends to this site only.
    """

    def __init__(self, app: App, token: str, port: int) -> None:
        self.app, self.token = app, token
        self.hosts = {f"{name}:{port}" for name in NAMES}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass allowed requests on to the application; refuse the others."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {key.decode("latin-1").lower(): value.decode("latin-1") for key, value in scope["headers"]}
        token = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        by_address = scope["type"] == "http" and self._valid_token(token)
        if not self._same_origin(headers) or not (by_address or self._valid_token(_cookie(headers))):
            await _refuse(scope, receive, send)
            return

        async def send_with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                response_headers = list(message.get("headers", []))
                if by_address:
                    cookie = f"{COOKIE}={self.token}; HttpOnly; SameSite=Strict; Path=/"
                    response_headers.append((b"set-cookie", cookie.encode()))
                response_headers += [(b"referrer-policy", b"no-referrer"), (b"x-frame-options", b"DENY")]
                response_headers.append((b"x-content-type-options", b"nosniff"))
                message["headers"] = response_headers
            await send(message)

        await self.app(scope, receive, send_with_headers)

    def _valid_token(self, token: str) -> bool:
        return hmac.compare_digest(token.encode(), self.token.encode())

    def _same_origin(self, headers: dict[str, str]) -> bool:
        origin = headers.get("origin")
        return headers.get("host", "") in self.hosts and (origin is None or urlsplit(origin).netloc in self.hosts)


def _cookie(headers: dict[str, str]) -> str:
    cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    return "" if cookie is None else cookie.value


async def _refuse(scope: Scope, receive: Receive, send: Send) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": REFUSED})
