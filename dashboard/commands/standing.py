"""`ovenbook serve`, `watch`, `capture`: the commands that stay until they are stopped with Ctrl-C."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.imports import Evaluations, say_result
from dashboard.commands.opening import archive_path, the_archive, who
from dashboard.commands.output import DONE, HELD_OR_REJECTED, Refusal, progress_bar, say

if TYPE_CHECKING:
    from ingest.archive import Archive

Oven = Annotated[str | None, typer.Option("--oven", metavar="NAME", help="The oven these logs come from.")]


def serve(
    ctx: typer.Context,
    host: Annotated[str, typer.Option("--host", metavar="ADDRESS", help="Address to answer on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", metavar="N", min=1, max=65535, help="Port to answer on.")] = 8501,
    folder: Annotated[
        Path | None, typer.Option("--watch", metavar="FOLDER", help="Import each new log of this folder too.")
    ] = None,
    oven: Annotated[
        str | None, typer.Option("--oven", metavar="NAME", help="The oven the logs of that folder come from.")
    ] = None,
    names: Annotated[
        list[str] | None,
        typer.Option("--name", metavar="NAME", help="A further name it is reached by, as of a TLS proxy in front."),
    ] = None,
    data: Annotated[
        str | None,
        typer.Option("--data", metavar="DATASET", help="Show what `publish` wrote there, read-only, not the archive."),
    ] = None,
) -> None:
    """Show the archive in a browser and take logs in by HTTP, until Ctrl-C.

    The API is described at /api. It answers this machine only, unless another address is given; that needs a password
    first (ovenbook access password).

    \b
    Examples:
      ovenbook serve --port 8600
      ovenbook serve --watch ~/oven-logs --oven "Oven A"
    """
    if data is not None:
        from dashboard.commands.published import serve_data

        if folder is not None:
            raise Refusal("--watch stores logs, and a published data set is read-only: leave one of them out.", 2)
        serve_data(data, lambda path: start_pages(path, host, port, names=tuple(names or ())))
        return
    from ingest.archive.repair import at_start

    for line in at_start(archive_path(ctx)):
        say(f"Put right: {line}")
    archive = the_archive(ctx)
    _bring_up_to_date(archive)
    start_pages(archive.path, host, port, folder=folder, oven=oven, names=tuple(names or ()))


def _bring_up_to_date(archive: Archive) -> None:
    """After an upgrade, or a correction nobody followed up: the runs concerned are judged again before anything is shown."""
    from dashboard.judging import bring_up_to_date, out_of_date

    waiting = out_of_date(archive)
    if not waiting or archive.read_only:
        return
    say(f"Rules or values have changed since {_runs_were(waiting)} judged. Judging again; earlier windows stay.")
    with progress_bar(waiting) as step:
        judged = bring_up_to_date(archive, lambda done, of: step("Judging runs again", done, of))
    say(judged.sentence())


def _runs_were(runs: int) -> str:
    return "1 run was" if runs == 1 else f"{runs} runs were"


def start_pages(
    path: Path,
    host: str,
    port: int,
    *,
    folder: Path | None = None,
    oven: str | None = None,
    names: tuple[str, ...] = (),
) -> None:
    must_be_free(host, port)
    from dashboard.service.app import NotServed
    from dashboard.service.app import serve as run_pages

    def begins() -> None:
        say(f"Ovenbook is at http://{host}:{port} with {path}. Stop it with Ctrl-C.")

    try:
        run_pages(path, host=host, port=port, folder=folder, oven=oven, names=names, begins=begins)
    except NotServed as problem:
        raise Refusal(str(problem)) from None


def must_be_free(host: str, port: int) -> None:
    """Refusal when nothing can answer on this address: before anything is said or loaded."""
    import socket

    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        with socket.socket(family, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            trial.bind((host, port))
    except OSError as problem:
        raise Refusal(
            f"cannot answer on {host} port {port} ({problem.strerror or problem}). "
            f"Is Ovenbook running there already? Otherwise give another port: --port {port + 1 if port < 65535 else 8501}"
        ) from None


def watch(
    ctx: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the controller or its computer writes logs.")],
    oven: Oven = None,
    move_to: Annotated[
        Path | None,
        typer.Option("--move-to", metavar="FOLDER", help="Move stored logs there. Otherwise nothing is moved."),
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Import what is there now and leave.")] = False,
) -> None:
    """Import each new log of a folder, until Ctrl-C.

    A log is taken in once it is complete, and never twice; it works on across restarts.

    \b
    Example:
      ovenbook watch ~/oven-logs --oven "Oven A"
    """
    from ingest.importing import ImportOptions
    from ingest.watching import watch as look

    if not folder.is_dir():
        raise Refusal(f"{folder} is not a folder. Make it first, or name the folder your logs are written to.")
    archive = the_archive(ctx)
    evaluations = Evaluations()
    if not once:
        say(f"Watching {folder}. Stop with Ctrl-C.")
    status = DONE
    try:
        for result in look(
            archive,
            folder,
            ImportOptions(source="watch", oven=oven, who=who()),
            after_store=evaluations,
            move_to=move_to,
            once=once,
        ):
            say_result(result, evaluations)
            if result.status in ("held", "rejected"):
                status = HELD_OR_REJECTED
    except KeyboardInterrupt:
        say("Stopped. Logs that arrive meanwhile are taken in at the next start.")
    raise typer.Exit(status)


def capture(
    ctx: typer.Context,
    port: Annotated[str, typer.Argument(metavar="PORT", help="The serial port, as /dev/ttyUSB0 or COM3.")],
    baud: Annotated[int, typer.Option("--baud", metavar="N", min=50, help="Its speed.")] = 115200,
    oven: Oven = None,
    folder: Annotated[
        Path | None, typer.Option("--folder", metavar="FOLDER", help="Where the raw logs are written. Default: here.")
    ] = None,
    quiet_s: Annotated[
        float, typer.Option("--quiet", metavar="S", min=1, help="Seconds without a line that end a run.")
    ] = 60.0,
    end_marker: Annotated[
        str | None,
        typer.Option("--end-marker", metavar="WORDS", help="Words of a line that end a run, as 'profile done'."),
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Leave after one run.")] = False,
) -> None:
    """Record a controller's serial output as logs.

    Each run is imported when it ends. Only listens; sends nothing.

    \b
    Example:
      ovenbook capture /dev/ttyUSB0 --baud 115200 --oven "Oven A"
    """
    from ingest.capture import capture as record
    from ingest.completeness import what_a_log_should_carry
    from ingest.importing import ImportOptions

    archive = the_archive(ctx)
    evaluations = Evaluations()
    say(what_a_log_should_carry())
    say(f"Listening on {port}. Stop with Ctrl-C; what was heard is kept and imported.")
    status = DONE
    for result in record(
        archive,
        port,
        ImportOptions(source="capture", oven=oven, who=who()),
        after_store=evaluations,
        baud=baud,
        folder=folder or Path.cwd(),
        quiet_s=quiet_s,
        end_marker=end_marker,
        once=once,
    ):
        say_result(result, evaluations)
        if result.status in ("held", "rejected"):
            status = HELD_OR_REJECTED
    raise typer.Exit(status)


def add_to(app: typer.Typer) -> None:
    app.command("serve")(serve)
    app.command("watch")(watch)
    app.command("capture")(capture)
