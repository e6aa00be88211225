"""The dashboard as a service on this machine: one process, bound to 127.0.0.1, nothing sent anywhere."""

from __future__ import annotations

import ipaddress
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import streamlit as st
    from starlette.routing import BaseRoute

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
}


def trusted_hosts(host: str) -> list[str]:
    """The names a browser may use for this service. Others are refused: a page elsewhere must not talk to it."""
    names = ["127.0.0.1", "localhost", "[::1]"]
    return names if host in ("127.0.0.1", "localhost", "::1") else [*names, host]


def application(host: str = HOST, routes: Sequence[BaseRoute] = ()) -> st.App:
    """The application with its pages; `routes` are served beside them, before the pages' own."""
    import streamlit as st
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware

    return st.App(
        Path(__file__).parent / "main.py",
        routes=list(routes),
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=trusted_hosts(host))],
    )


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
