"""Who and what is let in: hosts, origins, token, paths, rates, sizes, slowness. A plain ASGI layer before everything.

Only paths on a list are passed on; whatever else the web framework can do (serving files, proxying, opening URLs,
monitoring) cannot be reached at all.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
import logging
import re
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LOG = logging.getLogger(__name__)
LOOPBACK = ("127.0.0.1", "localhost", "::1")
COOKIE = "updraft_key"
OPEN_PATHS = ("/healthz",)
EXACT_PATHS = frozenset(
    (
        "/", "/config", "/theme.css", "/favicon.ico", "/healthz", "/openapi.json", "/sign-in", "/page.js",
        "/v1/identify", "/v1/schema", "/gradio_api/upload", "/gradio_api/upload_progress", "/gradio_api/queue/join",
        "/gradio_api/queue/data", "/gradio_api/app_id", "/gradio_api/cancel", "/gradio_api/reset",
        "/gradio_api/startup-events",
    )
)  # fmt: skip
PATH_STARTS = ("/assets/", "/static/", "/svelte/", "/gradio_api/heartbeat/", "/gradio_api/run/", "/desk/", "/example/")
DRAWING = re.compile(
    r"/gradio_api/custom_component/[0-9a-f]{64}/client/component/[\w.-]+"
    r"|/gradio_api/file=[\w/.:-]*/updraft-key-\w+/cases/[\w-]{24}\.jpg"
)
"""The drawing board's own files, and kept photos laid out to be drawn on; only where cases are kept."""
COSTLY = ("/v1/identify", "/gradio_api/upload", "/gradio_api/queue/join", "/desk/")


@dataclass(frozen=True, slots=True)
class GateRules:
    """What the gate holds to.

    Attributes:
        hosts: names that a request may be sent to (Host header); empty for any.
        token: needed for everything but ``/healthz``; None for none.
        per_minute: requests of one client; a burst of the same size is taken.
        costly_per_minute: of those, uploads, questions and reports.
        body_bytes: of one request's body.
        idle_seconds: without a byte of the body before the request is dropped.
        body_seconds: for the whole body.
        clients: how many clients are remembered.
        drawing: let the drawing board's paths through.
    """

    hosts: tuple[str, ...] = LOOPBACK
    token: str | None = None
    per_minute: int = 1200
    costly_per_minute: int = 120
    body_bytes: int = 100_000_000
    idle_seconds: float = 15.0
    body_seconds: float = 180.0
    clients: int = 10_000
    drawing: bool = False

    def __post_init__(self) -> None:
        numbers = (self.per_minute, self.costly_per_minute, self.body_bytes, self.clients)
        if min(numbers) < 1 or min(self.idle_seconds, self.body_seconds) <= 0:
            raise ValueError("gate: expected positive numbers")


class Rate:
    """Token buckets, one a client: ``per_minute`` refill, as deep as one minute. The longest idle are forgotten."""

    def __init__(self, per_minute: int, clients: int, clock: Callable[[], float] = time.monotonic) -> None:
        self._rate, self._deep, self._clients, self._clock = per_minute / 60.0, float(per_minute), clients, clock
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait(self, client: str) -> float:
        """Take one; seconds to wait if there is none (0 when taken)."""
        now = self._clock()
        left, then = self._buckets.pop(client, (self._deep, now))
        left = min(self._deep, left + (now - then) * self._rate)
        taken = left >= 1.0
        self._buckets[client] = (left - 1.0 if taken else left, now)
        while len(self._buckets) > self._clients:
            self._buckets.popitem(last=False)
        return 0.0 if taken else (1.0 - left) / self._rate


class _Refusal(Exception):
    def __init__(self, status: int, code: str, message: str, retry: float = 0.0) -> None:
        super().__init__(message)
        self.status, self.code, self.message, self.retry = status, code, message, retry


class Gate:
    """The ASGI layer."""

    def __init__(self, app: App, rules: GateRules, clock: Callable[[], float] = time.monotonic) -> None:
        self._app, self._rules = app, rules
        self._all = Rate(rules.per_minute, rules.clients, clock)
        self._costly = Rate(rules.costly_per_minute, rules.clients, clock)
        self._tries = Rate(6, rules.clients, clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through or refuse it in one short JSON line."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web socket is used by the page
            await send({"type": "websocket.close", "code": 1008})
            return
        try:
            self._check(scope)
            if scope["path"] == "/sign-in":
                await self._sign_in(scope, receive, send)
                return
            if not self._known(scope):
                if scope["path"] == "/" and scope["method"] == "GET":
                    await _answer(send, 401, SIGN_IN, "text/html; charset=utf-8")
                    return
                raise _Refusal(401, "token", "expected the server's token as 'Authorization: Bearer ...'")
        except _Refusal as refusal:
            await _refuse(send, refusal)
            return
        await self._pass(scope, receive, send)

    # ------------------------------------------------------------------ before the body

    def _check(self, scope: Scope) -> None:
        path, client = str(scope["path"]), client_of(scope)
        host = _header(scope, b"host")
        name = urlsplit(f"//{host}").hostname or "" if _is_netloc(host) else ""
        if self._rules.hosts and name not in self._rules.hosts:
            raise _Refusal(421, "host", "this server does not answer to that name")
        origin = _header(scope, b"origin")
        if origin and scope["method"] not in ("GET", "HEAD") and urlsplit(origin).netloc != host:
            raise _Refusal(403, "origin", "requests from other sites are not taken")
        known = path in EXACT_PATHS or path.startswith(PATH_STARTS)
        known = known or (self._rules.drawing and DRAWING.fullmatch(path) is not None)
        if not known or ".." in path or "\\" in path or "//" in path:
            raise _Refusal(404, "not_found", "there is nothing at this address")
        if len(scope.get("query_string", b"")) > 2000:
            raise _Refusal(414, "too_long", "the address is too long")
        self._hold(self._all, client)
        if path.startswith(COSTLY):
            self._hold(self._costly, client)
        length = _header(scope, b"content-length")
        if length.isdigit() and int(length) > self._rules.body_bytes:
            raise self._too_large()

    def _hold(self, rate: Rate, client: str) -> None:
        wait = rate.wait(client)
        if wait > 0:
            raise _Refusal(429, "too_many", "too many requests from this address; wait a moment", wait)

    def _too_large(self) -> _Refusal:
        most = self._rules.body_bytes // 1_000_000
        return _Refusal(413, "too_large", f"expected at most {most} MB in one request, got more; send fewer photos")

    # ------------------------------------------------------------------ token

    def _known(self, scope: Scope) -> bool:
        token = self._rules.token
        if token is None or scope["path"] in OPEN_PATHS:
            return True
        scheme, _sep, given = _header(scope, b"authorization").partition(" ")
        if scheme.lower() == "bearer" and hmac.compare_digest(given.strip().encode(), token.encode()):
            return True
        cookies = (c.strip().partition("=") for c in _header(scope, b"cookie").split(";"))
        return any(n == COOKIE and hmac.compare_digest(v.encode(), _pass_of(token).encode()) for n, _e, v in cookies)

    async def _sign_in(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] != "POST" or self._rules.token is None:
            raise _Refusal(404, "not_found", "there is nothing at this address")
        self._hold(self._tries, client_of(scope))
        body = b""
        while True:
            message = await asyncio.wait_for(receive(), self._rules.idle_seconds)
            body += message.get("body", b"")
            if len(body) > 4000 or message["type"] != "http.request":
                raise _Refusal(413, "too_large", "expected a short form")
            if not message.get("more_body"):
                break
        given = parse_qs(body.decode("utf-8", "replace")).get("token", [""])[0]
        if not hmac.compare_digest(given.encode(), self._rules.token.encode()):
            await _answer(send, 401, SIGN_IN, "text/html; charset=utf-8")
            return
        cookie = f"{COOKIE}={_pass_of(self._rules.token)}; Path=/; HttpOnly; SameSite=Strict"
        head = [(b"location", b"/"), (b"set-cookie", cookie.encode()), (b"content-length", b"0")]
        await send({"type": "http.response.start", "status": 303, "headers": head})
        await send({"type": "http.response.body", "body": b""})

    # ------------------------------------------------------------------ the body

    async def _pass(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, counting its body as it comes and giving up on one that trickles."""
        refusal: _Refusal | None = None
        started = done = False
        got, begin = 0, time.monotonic()

        async def counted() -> Message:
            nonlocal got, refusal, done
            if done:
                return await receive()
            left = min(self._rules.idle_seconds, begin + self._rules.body_seconds - time.monotonic())
            try:
                message = await asyncio.wait_for(receive(), max(left, 0.01))
            except TimeoutError:
                refusal = _Refusal(408, "too_slow", "the photos arrive too slowly; send smaller or fewer ones")
                raise refusal from None
            got += len(message.get("body", b""))
            done = not message.get("more_body", False)
            if got > self._rules.body_bytes:
                refusal = self._too_large()
                raise refusal
            return message

        async def watched(message: Message) -> None:
            nonlocal started
            if refusal is None or started:
                started = started or message["type"] == "http.response.start"
                await send(message)

        try:
            await self._app(scope, counted, watched)
        except Exception:
            if refusal is None:
                LOG.exception("unexpected error at %s", scope["path"])
                refusal = _Refusal(500, "server", "the server made a mistake with this request")
        if refusal is not None and not started:
            await _refuse(send, refusal)


def client_of(scope: Scope) -> str:
    """The client's address as the server sees it, IPv6 cut to its /64 (one household)."""
    client = scope.get("client")
    address = str(client[0]) if client else "?"
    return ":".join(address.split(":")[:4]) if address.count(":") > 1 else address


def _pass_of(token: str) -> str:
    return hmac.new(token.encode(), b"updraft-key page", hashlib.sha256).hexdigest()


def _is_netloc(host: str) -> bool:
    return bool(host) and all(c.isalnum() or c in ".-:[]" for c in host)


def _header(scope: Scope, name: bytes) -> str:
    for key, value in scope.get("headers", ()):
        if key.lower() == name:
            return bytes(value).decode("latin-1")
    return ""


async def _refuse(send: Send, refusal: _Refusal) -> None:
    body = json.dumps({"error": {"code": refusal.code, "message": refusal.message}})
    more = [(b"retry-after", str(int(refusal.retry) + 1).encode())] if refusal.retry else []
    await _answer(send, refusal.status, body, "application/json", [*more, (b"connection", b"close")])


async def _answer(send: Send, status: int, text: str, kind: str, more: list[tuple[bytes, bytes]] | None = None) -> None:
    body = text.encode()
    head = [(b"content-type", kind.encode()), (b"content-length", str(len(body)).encode()), *(more or [])]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})


SIGN_IN = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Updraft Key</title>
<meta name="viewport" content="width=device-width, initial-scale=1"></head>
<body style="font-family:system-ui,sans-serif;max-width:22rem;margin:2rem auto;padding:0 1rem">
<h1>Updraft Key</h1><form method="post" action="/sign-in">
<label for="token">Token of this server / Zugangswort</label><br>
<input id="token" name="token" type="password" required
style="font-size:1.1rem;width:100%;padding:.6rem;margin:.5rem 0">
<br><button style="font-size:1.1rem;padding:.6rem 1.4rem">OK</button></form></body></html>
"""
