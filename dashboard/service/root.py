"""Telling a page where its service is."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Tells the page's script where the service is. Without it, a page opened by its address first asks below its own path,
# and the browser's console fills with refusals.
_ROOT_SCRIPT = b"<script>window.__streamlit={BACKEND_BASE_URL:window.location.origin+'/'}</script>"


class RootInPages:
    """ASGI middleware that puts `_ROOT_SCRIPT` into every HTML answer and leaves all others as they are."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        if any(k == b"accept" and b"text/html" in v for k, v in scope["headers"]):
            # The page itself must come uncompressed to be written into; it is small.
            scope = {**scope, "headers": [(k, v) for k, v in scope["headers"] if k != b"accept-encoding"]}
        start: Message | None = None
        body = b""

        async def rewriting(message: Message) -> None:
            nonlocal start, body
            if message["type"] == "http.response.start":
                kinds = [v for k, v in message["headers"] if k.lower() == b"content-type"]
                if kinds and kinds[0].startswith(b"text/html"):
                    start = message
                    return
            elif start is not None and message["type"] == "http.response.body":
                body += message.get("body", b"")
                if message.get("more_body"):
                    return
                # Only the pages' own shell: other pages of the service have no script and need none.
                shell = b'type="module"' in body
                whole = body.replace(b"<head>", b"<head>" + _ROOT_SCRIPT, 1) if shell else body
                headers = [(k, v) for k, v in start["headers"] if k.lower() != b"content-length"]
                if scope["method"] != "HEAD":
                    headers.append((b"content-length", str(len(whole)).encode()))
                await send({**start, "headers": headers})
                await send({"type": "http.response.body", "body": whole})
                start = None
                return
            await send(message)

        await self.app(scope, receive, rewriting)
