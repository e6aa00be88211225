"""The dashboard as a service on this machine: one process, bound to 127.0.0.1, nothing sent anywhere."""

from __future__ import annotations

import ipaddress
import os
import socket
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import streamlit as st
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"
PORT = 8501
MAX_UPLOAD_MB = 64

# The look of the page frame; charts have theirs in dashboard.figures.theme.
_THEME = {
    "theme.base": "light",
    "theme.primaryColor": "#0b5c7a",
    "theme.backgroundColor": "#ffffff",
    "theme.secondaryBackgroundColor": "#f4f5f6",
    "theme.textColor": "#20242a",
    # Notes, warnings and refusals speak in words; their tints come from the charts' palette, not red, amber and green.
    "theme.greenColor": "#0b5c7a",
    "theme.blueColor": "#0072b2",
    "theme.redColor": "#b03a00",
    "theme.yellowColor": "#7f6200",
}


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
                whole = body.replace(b"<head>", b"<head>" + _ROOT_SCRIPT, 1)
                headers = [(k, v) for k, v in start["headers"] if k.lower() != b"content-length"]
                if scope["method"] != "HEAD":
                    headers.append((b"content-length", str(len(whole)).encode()))
                await send({**start, "headers": headers})
                await send({"type": "http.response.body", "body": whole})
                start = None
                return
            await send(message)

        await self.app(scope, receive, rewriting)


def trusted_hosts(host: str) -> list[str]:
    """The names a browser may use for this service. Others are refused: a page elsewhere must not talk to it."""
    names = ["127.0.0.1", "localhost"]
    if _is_loopback(host):
        return names
    if host in ("0.0.0.0", "::"):
        return [*names, socket.gethostname(), *sorted({str(a[4][0]) for a in _own_addresses()})]
    return [*names, host]


def _own_addresses() -> list[Any]:
    try:
        return socket.getaddrinfo(socket.gethostname(), None, family=socket.AF_INET)
    except OSError:
        return []


def application(host: str = HOST, routes: Sequence[BaseRoute] = ()) -> st.App:
    """The application with its pages; `routes` are served beside them, before the pages' own."""
    import streamlit as st
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.routing import Route
    from streamlit.runtime.pages_manager import PagesManager

    # A folder named pages would otherwise be taken for the menu until main.py has run once, and the first visitor who
    # comes by a link would land on another page.
    PagesManager.uses_pages_directory = False
    return st.App(
        Path(__file__).parent / "main.py",
        routes=[*routes, Route("/latest", _latest)],
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=trusted_hosts(host)),
            Middleware(RootInPages),
        ],
    )


async def _latest(request: Request) -> Response:
    """The first page lives at the root; its name is a good address too."""
    from starlette.responses import RedirectResponse

    return RedirectResponse(request.url.replace(path="/"), status_code=307)


def settings(host: str, port: int) -> dict[str, object]:
    """Streamlit's settings: bound to `host`, no usage statistics, no file watching, no details of errors on a page."""
    return {
        "server.address": host,
        "server.port": port,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.maxUploadSize": MAX_UPLOAD_MB,
        "browser.gatherUsageStats": False,
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        **_THEME,
    }


def serve(
    archive_path: str | Path | None, host: str = HOST, port: int = PORT, routes: Sequence[BaseRoute] = ()
) -> None:
    """Serve the dashboard for the archive at `archive_path` (None: the default place) until interrupted.

    Raises ArchiveError with one clear line when the archive cannot be opened, before anything is served. A port in use
    ends the process with status 1 and a line that names it.
    """
    # Imported before any lock is taken, so that a first request does not hold the archive while modules load.
    import pandas as pd  # noqa: F401
    import pyarrow as pa  # noqa: F401

    from dashboard import page_data

    if archive_path is not None:
        os.environ["OVENBOOK_ARCHIVE"] = str(Path(archive_path).expanduser().resolve())
    page_data.current(os.environ.get("OVENBOOK_ARCHIVE"))
    if not _is_loopback(host):
        print(f"Anyone who can reach {host} can read and change this archive: there is no password.", file=sys.stderr)
    # Streamlit hands the command line's arguments to the pages; they have none.
    sys.argv = sys.argv[:1]
    application(host, routes).run(config=settings(host, port))


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
