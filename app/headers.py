"""Security headers on every response, and a fresh nonce for the page's own inline scripts.

The page may load from its own server only, may not be framed, and runs no script that the server did not mark.
"""

from __future__ import annotations

import re
import secrets

from .gate import App, Message, Receive, Scope, Send

VISIT = "updraft_key_visit"
"""Cookie by which a reloaded page finds its desk again; gone with the browser's session, sent to this server only."""
_SCRIPT = re.compile(rb"<script(?=[\s>])")
_OUTSIDE = re.compile(rb'<meta\s+(?:property|name)="(?:og|twitter):[^>]*>\s*')
_FIXED: tuple[tuple[bytes, bytes], ...] = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(self), geolocation=(), microphone=(), payment=(), usb=()"),
)


def policy(nonce: str) -> str:
    """The content security policy of the page. Styles are inline in the framework's components; scripts are not."""
    return (
        f"default-src 'self'; script-src 'self' 'nonce-{nonce}'; style-src 'self' 'unsafe-inline'; "
        "img-src 'self' data: blob:; font-src 'self' data:; connect-src 'self'; worker-src 'self' blob:; "
        "object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
    )


class Headers:
    """The ASGI layer: sets the headers; in HTML, marks scripts with the nonce and drops tags that name other hosts."""

    def __init__(self, app: App) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and dress the response."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        if scope["path"] == "/":  # the page is rewritten below, so it must not come compressed
            kept = [(k, v) for k, v in scope["headers"] if k.lower() != b"accept-encoding"]
            scope = {**scope, "headers": kept}
        nonce = secrets.token_urlsafe(16)
        page: list[bytes] | None = None
        start: Message = {}

        async def dressed(message: Message) -> None:
            nonlocal page, start
            if message["type"] == "http.response.start":
                ours = {k for k, _v in _FIXED} | {b"content-security-policy", b"server"}
                head = [(k, v) for k, v in message.get("headers", ()) if k.lower() not in ours]
                head += [*_FIXED, (b"content-security-policy", policy(nonce).encode())]
                if not any(k.lower() == b"cache-control" for k, _v in head):
                    head.append((b"cache-control", b"no-store"))
                start = {**message, "headers": head}
                if any(k.lower() == b"content-type" and v.startswith(b"text/html") for k, v in head):
                    page = []
                    return
                await send(start)
            elif page is not None:
                page.append(message.get("body", b""))
                if not message.get("more_body"):
                    body = _OUTSIDE.sub(b"", b"".join(page))
                    if b"<title" not in body:  # named even before its script has run
                        body = body.replace(b"<head>", b"<head><title>Updraft Key</title>", 1)
                    body = _SCRIPT.sub(b'<script nonce="' + nonce.encode() + b'"', body)
                    head = [(k, v) for k, v in start["headers"] if k.lower() != b"content-length"]
                    if f"{VISIT}=".encode() not in b"".join(v for k, v in scope["headers"] if k.lower() == b"cookie"):
                        cookie = f"{VISIT}={secrets.token_urlsafe(18)}; Path=/; HttpOnly; SameSite=Strict"
                        head.append((b"set-cookie", cookie.encode()))
                    await send({**start, "headers": [*head, (b"content-length", str(len(body)).encode())]})
                    await send({"type": "http.response.body", "body": body})
            else:
                await send(message)

        await self._app(scope, receive, dressed)
