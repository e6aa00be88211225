"""Before anything else sees a request: where does it come from, and may this person see the pages?

Streamlit's own checks cover neither routes of ours nor reading, so each request and each web socket passes here first.
The names a request may use for this service are checked before (TrustedHostMiddleware).
"""

from __future__ import annotations

import base64
import binascii
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

from dashboard.service.access import Gate

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "ovenbook_session"
SIGN_IN = "/signin"
LOGS = "/api/logs"
HEALTH = "/api/health"
# Answered to anyone: the way in, and whether the service lives. Adding a log asks for its own token.
_OPEN = frozenset({SIGN_IN, LOGS, HEALTH, "/_stcore/health"})

_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    # No other site may show these pages inside its own, and no injected tag may change where links lead.
    (b"content-security-policy", b"frame-ancestors 'self'; object-src 'none'; base-uri 'self'"),
)


def header(scope: Scope, name: bytes) -> str | None:
    """The value of the first header of this name, or None."""
    return next((value.decode("latin-1") for key, value in scope["headers"] if key == name), None)


def client(scope: Scope) -> str | None:
    """The address a request came from."""
    return scope["client"][0] if scope.get("client") else None


def session_of(scope: Scope) -> str | None:
    """The secret in the session cookie, if there is one."""
    for key, value in scope["headers"]:
        if key == b"cookie":
            for part in value.decode("latin-1").split(";"):
                name, _, secret = part.strip().partition("=")
                if name == COOKIE:
                    return secret
    return None


def basic_of(scope: Scope) -> tuple[str, str] | None:
    """Name and password of an Authorization header of the Basic kind (RFC 7617, UTF-8)."""
    kind, _, coded = (header(scope, b"authorization") or "").partition(" ")
    if kind.lower() != "basic":
        return None
    try:
        name, colon, password = base64.b64decode(coded.strip(), validate=True).decode("utf-8").partition(":")
    except (binascii.Error, ValueError):
        return None
    return (name, password) if colon else None


class Guard:
    """ASGI middleware. A page of another site is refused; whoever is not signed in is shown the way in."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self.app = app
        self.gate = gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        if self._from_elsewhere(scope):
            await _refuse(scope, receive, send, 403, "a page of another site may not use this service")
            return
        # Past 0 s in a thread: reading the list of people may wait for the archive.
        from starlette.concurrency import run_in_threadpool

        status = 0 if scope["path"] in _OPEN else await run_in_threadpool(self._refusal, scope)
        if status == 0:
            await self.app(scope, receive, _with_headers(send) if scope["type"] == "http" else send)
        elif status == 401 and _is_page(scope):
            from starlette.responses import RedirectResponse

            to = scope["path"] + (f"?{scope['query_string'].decode('latin-1')}" if scope["query_string"] else "")
            await RedirectResponse(f"{SIGN_IN}?next={quote(to, safe='/')}", 303)(scope, receive, send)
        else:
            line = "sign in first" if status == 401 else "too many wrong passwords: wait a minute"
            await _refuse(scope, receive, send, status, line)

    @staticmethod
    def _from_elsewhere(scope: Scope) -> bool:
        origin = header(scope, b"origin")
        return origin is not None and urlsplit(origin).netloc.lower() != (header(scope, b"host") or "").lower()

    def _refusal(self, scope: Scope) -> int:
        """0 when the request may go on, else the status to refuse it with. Leaves who it is in the scope's state."""
        if not self.gate.asks_people():
            return 0
        who = self.gate.who(session_of(scope))
        basic = basic_of(scope) if who is None and scope["path"].startswith("/api/") else None
        if basic is not None:
            if self.gate.wait_s(client(scope)):
                return 429
            person = self.gate.right(*basic, client(scope))
            who = person.name if person is not None else None
        return 0 if who is not None else 401


def _is_page(scope: Scope) -> bool:
    return (
        scope["type"] == "http"
        and scope["method"] in ("GET", "HEAD")
        and not scope["path"].startswith(("/api/", "/_stcore/"))
        and "text/html" in (header(scope, b"accept") or "")
    )


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, line: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": line})
        return
    from starlette.responses import JSONResponse

    headers = {"WWW-Authenticate": 'Basic realm="Ovenbook", charset="UTF-8"'} if status == 401 else {}
    if status == 429:
        headers["Retry-After"] = "60"
    await JSONResponse({"error": line}, status, headers)(scope, receive, _with_headers(send))


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            have = {key.lower() for key, _ in message["headers"]}
            message = {**message, "headers": [*message["headers"], *(h for h in _HEADERS if h[0] not in have)]}
        await send(message)

    return sending
