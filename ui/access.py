"""Who may talk to the app: a pure ASGI gate in front of every route and the websocket.

In: the host names the app answers to and, on a home network, an access code. Out: the same app,
which serves nothing to a request with another Host header (DNS rebinding) or without the code.
The code arrives once in a link (``/?k=...``), becomes an HttpOnly SameSite=Lax cookie, and the
browser is sent on to the same address without it. Plain http can be overheard; the page says so.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]

COOKIE = "deckplumb_access"
PARAMETER = "k"
COOKIE_DAYS = 30

_HEADERS = [
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-frame-options", b"SAMEORIGIN"),
    # Whatever a page or a library tries, the browser asks nobody but this computer.
    (
        b"content-security-policy",
        b"default-src 'self' 'unsafe-inline' 'unsafe-eval' data: blob:; "
        b"connect-src 'self' ws: wss: data: blob:; form-action 'self'; frame-ancestors 'self'",
    ),
]

_NO_CODE = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1"><title>Access code needed</title>
<body style="font:20px/1.5 system-ui,sans-serif;max-width:32em;margin:2em auto;padding:0 1em;
background:#f6f4ef;color:#1d282d"><h1>This link has no valid access code</h1>
<p>Scan the code shown by Deckplumb on the other computer, or copy the whole address it printed.
The code changes each time Deckplumb is started.</p></body></html>"""


def new_code() -> str:
    """Return a fresh access code of 128 random bits, safe in a URL."""
    return secrets.token_urlsafe(16)


class Gate:
    """ASGI middleware: checks the Host header and the access code on http and websocket.

    Parameters
    ----------
    app : ASGI application
    hosts : sequence of str
        Host names and addresses (no port) that the app answers to.
    code : str or None
        The access code; None where only this computer can reach the app.
    """

    def __init__(self, app: Any, hosts: tuple[str, ...], code: str | None = None) -> None:
        self.app = app
        self.hosts = {host.lower() for host in hosts}
        self.code = code

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve, redirect or turn away one connection."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {k.lower(): v for k, v in scope.get("headers", [])}
        if _host(headers.get(b"host", b"")) not in self.hosts:
            await _turn_away(scope, receive, send, 421, "This address is not served here.")
            return
        if _foreign(headers.get(b"origin"), headers.get(b"host", b"")):
            # Streamlit would ask an outside server for this computer's address to judge it.
            await _turn_away(scope, receive, send, 403, "Another site may not use this one.")
            return
        if self.code is not None:
            known = self._knows(headers.get(b"cookie", b""))
            tidy = scope["type"] == "http" and _given(scope) is not None
            if tidy or not known:
                await self._ask(scope, receive, send, known)
                return

        async def guarded(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), *_HEADERS]}
            await send(message)

        await self.app(scope, receive, guarded)

    def _knows(self, cookie_header: bytes) -> bool:
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(cookie_header.decode("latin-1"))
        except CookieError:
            return False
        held = jar[COOKIE].value if COOKIE in jar else ""
        return hmac.compare_digest(held.encode(), (self.code or "").encode())

    async def _ask(self, scope: Scope, receive: Receive, send: Send, known: bool) -> None:
        """Take the code out of the address: with it, or to a browser known already."""
        given = _given(scope)
        right = known or (
            given is not None and hmac.compare_digest(given.encode(), (self.code or "").encode())
        )
        if scope["type"] == "websocket" or not right:
            await _turn_away(scope, receive, send, 403, _NO_CODE)
            return
        rest = [
            (k, v)
            for k, v in parse_qsl(scope.get("query_string", b"").decode("latin-1"))
            if k != PARAMETER
        ]
        # Never "//somewhere": that would be another host.
        path = "/" + scope.get("path", "/").lstrip("/")
        target = path + ("?" + urlencode(rest) if rest else "")
        cookie = (
            f"{COOKIE}={self.code}; Path=/; HttpOnly; SameSite=Lax; Max-Age={COOKIE_DAYS * 86400}"
        )
        start = {
            "type": "http.response.start",
            "status": 303,
            "headers": [
                (b"location", target.encode("utf-8", "replace")),
                (b"set-cookie", cookie.encode()),
                (b"cache-control", b"no-store"),
                *_HEADERS,
            ],
        }
        await send(start)
        await send({"type": "http.response.body", "body": b""})


def _given(scope: Scope) -> str | None:
    query = dict(parse_qsl(scope.get("query_string", b"").decode("latin-1")))
    return query.get(PARAMETER)


def _foreign(origin: bytes | None, host: bytes) -> bool:
    if origin is None:
        return False
    return urlsplit(origin.decode("latin-1")).netloc.lower() != host.decode("latin-1").lower()


def _host(header: bytes) -> str:
    text = header.decode("latin-1").strip().lower()
    if text.startswith("["):
        return text[1:].split("]")[0]
    return text.rsplit(":", 1)[0] if text.count(":") == 1 else text


async def _turn_away(scope: Scope, receive: Receive, send: Send, status: int, text: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 4403})
        return
    body = text.encode()
    start = {
        "type": "http.response.start",
        "status": status,
        "headers": [
            (b"content-type", b"text/html; charset=utf-8"),
            (b"content-length", str(len(body)).encode()),
            (b"cache-control", b"no-store"),
            *_HEADERS,
        ],
    }
    await send(start)
    await send({"type": "http.response.body", "body": body})
