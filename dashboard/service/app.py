"""The service put together: pages, API and guard on one application, bound to 127.0.0.1 unless told otherwise."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.service.root import RootInPages

if TYPE_CHECKING:
    import streamlit as st
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import BaseRoute

    from dashboard.service.access import Gate
    from dashboard.service.desk import Desk

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


def trusted_hosts(host: str, names: Sequence[str] = ()) -> list[str]:
    """The names a browser may use for this service. Others are refused: a page elsewhere must not talk to it.

    `names`: names it is known by elsewhere, that of a TLS proxy in front for example.
    """
    known = ["127.0.0.1", "localhost", *names]
    if is_loopback(host):
        return known
    if host in ("0.0.0.0", "::"):
        return [*known, socket.gethostname(), *sorted({str(a[4][0]) for a in _own_addresses()})]
    return [*known, host]


def _own_addresses() -> list[Any]:
    try:
        return socket.getaddrinfo(socket.gethostname(), None, family=socket.AF_INET)
    except OSError:
        return []


def application(
    host: str = HOST,
    routes: Sequence[BaseRoute] = (),
    *,
    names: Sequence[str] = (),
    gate: Gate | None = None,
    desk: Desk | None = None,
) -> st.App:
    """The application with its pages; `routes` are served beside them, before the pages' own.

    With `gate`, people and controllers are asked who they are as the archive says; with `desk`, the API is there and the
    desk's threads live as long as the application.
    """
    import streamlit as st
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.routing import Route
    from streamlit.runtime.pages_manager import PagesManager

    from dashboard.service import sign_in
    from dashboard.service.api import Api
    from dashboard.service.guard import Guard

    # A folder named pages would otherwise be taken for the menu until main.py has run once, and the first visitor who
    # comes by a link would land on another page.
    PagesManager.uses_pages_directory = False
    own: list[BaseRoute] = [Route("/latest", _latest)]
    if gate is not None:
        own += sign_in.routes(gate)
        if desk is not None:
            own += Api(desk, gate).routes()

    @contextlib.asynccontextmanager
    async def lifespan(_: Any) -> AsyncIterator[dict[str, Any]]:
        if desk is not None:
            desk.start()
        try:
            yield {}
        finally:
            if desk is not None:
                desk.stop()

    return st.App(
        Path(__file__).parents[1] / "main.py",
        routes=[*routes, *own],
        lifespan=lifespan,
        middleware=[
            Middleware(TrustedHostMiddleware, allowed_hosts=trusted_hosts(host, names)),
            *([Middleware(Guard, gate=gate)] if gate is not None else []),
            Middleware(RootInPages),
        ],
    )


async def _latest(request: Request) -> Response:
    """The first page lives at the root; its name is a good address too."""
    from starlette.responses import RedirectResponse

    return RedirectResponse(request.url.replace(path="/"), status_code=307)


def settings(host: str, port: int, names: Sequence[str] = ()) -> dict[str, object]:
    """Streamlit's settings: bound to `host`, no usage statistics, no file watching, no details of errors on a page."""
    return {
        "server.address": host,
        "server.port": port,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.maxUploadSize": MAX_UPLOAD_MB,
        "server.corsAllowedOrigins": [f"https://{name}" for name in names],
        "browser.gatherUsageStats": False,
        "logger.hideWelcomeMessage": True,  # `ovenbook serve` says where it is
        "client.toolbarMode": "minimal",
        "client.showErrorDetails": "none",
        **_THEME,
    }


class NotServed(Exception):
    """The service does not start. One line that names the way out."""


def serve(
    archive_path: str | Path | None,
    host: str = HOST,
    port: int = PORT,
    routes: Sequence[BaseRoute] = (),
    *,
    folder: str | Path | None = None,
    oven: str | None = None,
    names: Sequence[str] = (),
    begins: Callable[[], None] | None = None,
) -> None:
    """Serve the archive at `archive_path` (None: the default place) until interrupted.

    `folder`: logs that appear there are taken in, as logs of `oven`; `names`: see `trusted_hosts`; `begins` is
    called when nothing more can refuse but a port in use.

    Raises ArchiveError with one clear line when the archive cannot be opened, and NotServed for an address that others
    can reach without anybody having a password, before anything is served. A port in use ends the process with status 1
    and a line that names it.
    """
    # Imported before any lock is taken, so that a first request does not hold the archive while modules load.
    import pandas as pd  # noqa: F401
    import pyarrow as pa  # noqa: F401

    from dashboard import page_data
    from dashboard.service import alerts, journal
    from dashboard.service.access import Gate
    from dashboard.service.desk import Desk, open_desk
    from ingest.archive.repair import at_start

    if archive_path is not None:
        os.environ["OVENBOOK_ARCHIVE"] = str(Path(archive_path).expanduser().resolve())
    try:
        to = alerts.receivers()
    except ValueError as error:
        raise NotServed(str(error)) from None
    place = Path(folder).expanduser() if folder is not None else None
    if place is not None and not place.is_dir():
        raise NotServed(f"{place} is not a folder: make it first, or name the folder your logs are written to")
    for line in at_start(os.environ.get("OVENBOOK_ARCHIVE")):
        journal.write("repair", text=line)
    book = page_data.current(os.environ.get("OVENBOOK_ARCHIVE"))
    exposed = not is_loopback(host)
    gate = Gate(book.archive, exposed=exposed)
    if exposed and not gate.known().people:
        raise NotServed(
            f"{host} can be reached by others and nobody has a password yet: "
            "set one with `ovenbook access password NAME`, or leave --host away"
        )
    if exposed:
        journal.write(
            "warning",
            text="passwords and tokens cross the network in the clear unless TLS is put in front (see DEVELOPERS.md)",
        )
    desk = Desk(book.archive, alerts.Sender(to), place, oven)
    open_desk(desk)
    if begins is not None:
        begins()
    journal.write("start", host=host, port=port, sign_in=gate.asks_people(), tokens=gate.asks_controllers())
    # Streamlit hands the command line's arguments to the pages; they have none.
    sys.argv = sys.argv[:1]
    application(host, routes, names=names, gate=gate, desk=desk).run(config=settings(host, port, names))


def is_loopback(host: str) -> bool:
    """True when only this computer can reach `host`. An unknown name counts as reachable."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
