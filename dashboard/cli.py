"""`ovenbook`: the command line.

Each topic is a file of dashboard/commands. This file starts the one that is asked for and turns what goes wrong into a line.
"""

from __future__ import annotations

import os
import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from dashboard.commands.loading import LoadedWhenNeeded
from dashboard.commands.output import DONE, INTERRUPTED, Refusal, is_interrupt, trouble

SUMMARY = """Run-log archive for small reflow ovens: store each bake's log, see whether it met
the window, and by how much.

\b
Start here:
  ovenbook demo
  ovenbook import LOG.csv
  ovenbook serve

Ovenbook records and advises. It does not control heat and is not a safety device.

Exit status: 0 done, 1 something was held, rejected or not found, 2 wrong usage.
"""


def hoisted(arguments: list[str]) -> list[str]:
    """The arguments with `--archive PATH` moved to the front, so that it may stand before or after the command."""
    front: list[str] = []
    rest: list[str] = []
    position = 0
    while position < len(arguments):
        argument = arguments[position]
        if argument == "--":
            rest += arguments[position:]
            break
        if argument == "--archive":
            front += arguments[position : position + 2]
            position += 2
            continue
        if argument.startswith("--archive="):
            front.append(argument)
        else:
            rest.append(argument)
        position += 1
    return front + rest


class Commands(TyperGroup):
    """The group of all commands: turns everything that goes wrong into one line and an exit status."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = LoadedWhenNeeded()

    def list_commands(self, ctx: Any) -> list[str]:
        del ctx
        return list(self.commands)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, hoisted(args))

    def main(self, *args: Any, standalone_mode: bool = True, **extra: Any) -> Any:
        if not standalone_mode:
            return super().main(*args, standalone_mode=False, **extra)
        try:
            status = super().main(*args, standalone_mode=False, **extra)
            sys.stdout.flush()
        except (Exception, KeyboardInterrupt) as problem:
            status = self._explain(problem)
        sys.exit(status if isinstance(status, int) else DONE)

    def _explain(self, problem: BaseException) -> int:
        if isinstance(problem, Refusal):
            trouble(str(problem))
            return problem.status
        if isinstance(problem, typer.TyperException):
            ctx = getattr(problem, "ctx", None)
            command = ctx.command_path if ctx is not None else "ovenbook"
            text = problem.format_message().rstrip()
            if text.startswith("Usage:"):  # a group without its command: the answer is its help
                print(text, file=sys.stderr)
                return problem.exit_code
            trouble(f"{text}{'' if text.endswith(('.', '?')) else '.'} Help: {command} --help")
            return problem.exit_code
        if isinstance(problem, typer.Abort) or is_interrupt(problem):
            trouble("stopped; nothing half-done is left in the archive.")
            return INTERRUPTED
        if isinstance(problem, BrokenPipeError):
            _close_quietly()
            return 1
        if _is_archive_error(problem):
            trouble(str(problem))
            return 1
        if isinstance(problem, OSError):
            name = f"{problem.filename}: " if problem.filename else ""
            trouble(f"{name}{problem.strerror or problem}. Check the path and its permissions.")
            return 1
        if os.environ.get("OVENBOOK_TRACEBACK"):
            raise problem
        trouble(
            f"a fault in Ovenbook itself, not in your log: {type(problem).__name__}: {problem}. "
            "Nothing half-done was stored. Please report it with the output of the same command "
            "under OVENBOOK_TRACEBACK=1."
        )
        return 1


def _is_archive_error(problem: BaseException) -> bool:
    """Without importing the archive (and pandas with it) for a command that never needed it."""
    module = sys.modules.get("ingest.archive")
    return module is not None and isinstance(problem, module.ArchiveError)


def _close_quietly() -> None:
    """The reader of our output left (`| head`): give the interpreter a place to flush to."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            print(f"ovenbook {version('ovenbook')}")
        except PackageNotFoundError:
            print("ovenbook, run from its source folder")
        raise typer.Exit(DONE)


app = typer.Typer(
    name="ovenbook",
    cls=Commands,
    help=SUMMARY,
    no_args_is_help=True,
    rich_markup_mode=None,  # plain help: no boxes in a pipe, and faster
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


@app.callback()
def start(
    ctx: typer.Context,
    archive: Annotated[
        str | None,
        typer.Option(
            "--archive",
            metavar="PATH",
            help="The archive file; may stand after the command too. Default: OVENBOOK_ARCHIVE, else your data folder.",
        ),
    ] = None,
    version_wanted: Annotated[
        bool, typer.Option("--version", help="Print the version and leave.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    del version_wanted
    ctx.obj = {"archive": archive}


def main() -> None:
    """Entry point of the console script."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # File names can hold bytes that are no text, and a pipe may not speak UTF-8 on its own.
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")  # pyright: ignore[reportAttributeAccessIssue]
    app(prog_name="ovenbook")


if __name__ == "__main__":
    main()
