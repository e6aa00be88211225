"""`ovenbook demo`: an archive of an invented shop to look round in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard.commands.opening import archive_path
from dashboard.commands.output import HELD_OR_REJECTED, Refusal, progress_bar, say
from dashboard.commands.standing import start_pages


def demo(
    ctx: typer.Context,
    build_only: Annotated[
        bool, typer.Option("--build-only", help="Build the archive and leave; do not serve it.")
    ] = False,
    fresh: Annotated[bool, typer.Option("--fresh", help="Build it anew, even if there is one.")] = False,
    port: Annotated[int, typer.Option("--port", metavar="N", min=1, max=65535, help="Port to answer on.")] = 8501,
) -> None:
    """Build a demo archive and show it in the browser.

    An invented shop: two ovens, eighteen months, over 400 runs with inspections and maintenance. It lives in a file of
    its own and is built once; your own archive is not touched.

    \b
    Examples:
      ovenbook demo
      ovenbook demo --build-only --archive demo.duckdb
    """
    from dashboard.demo import RUNS, build, demo_path

    named = archive_path(ctx)
    path = Path(named).expanduser() if named else demo_path()
    if path.exists() and not fresh:
        _must_be_demo(path, "Serving it needs no demo: ovenbook serve")
        say(f"The demo archive is at {path}.")
    else:
        if path.exists():
            _must_be_demo(path, "It is not replaced.")
        if not named:
            path.parent.mkdir(parents=True, exist_ok=True)
        elif not path.parent.is_dir():
            raise Refusal(f"the folder {path.parent} is not there. Make it, or give another --archive.")
        with progress_bar(RUNS) as step:
            built = build(path, progress=step)
        say(
            f"Demo archive built at {path}: {built.runs} runs, {built.inspections} inspections, {built.events} events. "
            "All of it is invented."
        )
        if built.held or built.rejected:
            raise Refusal(f"{built.held} logs of the demo were held and {built.rejected} rejected.", HELD_OR_REJECTED)
    if build_only:
        say(f"Look at it: ovenbook serve --archive {path}")
        return
    start_pages(path, "127.0.0.1", port)


def _must_be_demo(path: Path, way_out: str) -> None:
    from dashboard.demo import is_demo
    from ingest.archive import open_archive

    if not is_demo(open_archive(path, create=False)):
        raise Refusal(f"{path} is an archive, but not the demo. {way_out} For the demo give another --archive.")


def add_to(app: typer.Typer) -> None:
    app.command("demo")(demo)
