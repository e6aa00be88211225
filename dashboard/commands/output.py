"""How every command speaks: sentences, tables and JSON on standard output, one line of trouble on standard error.

Human output is plain text that reads well in 80 columns. Emphasis is bold at most and never the only carrier of a
meaning; nothing is styled when the output is piped. Piped tables are not cut to a width, so that a search finds whole
names.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

TEXT_COLUMNS = 80  # when the width is not known
UNCUT_COLUMNS = 100_000
NO_BREAK = "\u00a0"

DONE, HELD_OR_REJECTED, WRONG_USAGE, INTERRUPTED = 0, 1, 2, 130

Json = Annotated[bool, typer.Option("--json", help="Print JSON for programs instead of text.")]


class Refusal(Exception):
    """A command cannot do what was asked. The text is one line that names the way out; `status` is the exit status."""

    def __init__(self, text: str, status: int = HELD_OR_REJECTED) -> None:
        super().__init__(text)
        self.status = status


def is_interrupt(problem: BaseException) -> bool:
    """True for Ctrl-C, also when it struck inside a query: DuckDB then raises an error of its own."""
    return isinstance(problem, KeyboardInterrupt) or (
        isinstance(problem, RuntimeError) and "interrupted" in str(problem).lower()
    )


def wrong_usage(text: str) -> Refusal:
    return Refusal(text, WRONG_USAGE)


def trouble(text: str) -> None:
    """One line on standard error."""
    print(f"ovenbook: {' '.join(str(text).split())}", file=sys.stderr)


def _console(width: int | None = None, *, stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(width=width, stderr=stderr, highlight=False, markup=False, emoji=False, soft_wrap=False)


def _width() -> int | None:
    """The terminal's width, or None when nobody looks: piped and COLUMNS not set."""
    if os.environ.get("COLUMNS", "").isdigit():
        return int(os.environ["COLUMNS"])
    if sys.stdout.isatty():
        import shutil

        return shutil.get_terminal_size((TEXT_COLUMNS, 24)).columns
    return None


def say(text: str = "", *, bold: bool = False, indent: int = 0) -> None:
    """A paragraph, wrapped to the width, every line indented. A path stays whole, and so does a command at the end."""
    import textwrap

    before, command, after = text.rpartition(": ovenbook ")
    if command:
        text = f"{before}: " + f"ovenbook {after}".replace(" ", NO_BREAK)

    margin = " " * indent
    width = min(_width() or TEXT_COLUMNS, 100)
    wrapped = textwrap.fill(
        text, width, initial_indent=margin, subsequent_indent=margin, break_long_words=False, break_on_hyphens=False
    )
    wrapped = wrapped.replace(NO_BREAK, " ")
    strong = bold and sys.stdout.isatty() and os.name != "nt" and "NO_COLOR" not in os.environ
    # Flushed, so that a command that stays (serve, watch) is heard at once, also through a pipe.
    print(f"\x1b[1m{wrapped}\x1b[0m" if strong else wrapped, flush=True)


def heading(text: str) -> None:
    say()
    say(text, bold=True)


def table(
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    *,
    right: Sequence[str] = (),
    whole: Sequence[str] = (),
    indent: int = 0,
) -> None:
    """A table without lines, in the order given. Columns in `right` stand to the right, those in `whole` are never broken."""
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold", show_edge=False)
    for name in columns:
        drawn.add_column(name, justify="right" if name in right else "left", overflow="fold", no_wrap=name in whole)
    for row in rows:
        drawn.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    console = _console(_width() or UNCUT_COLUMNS)
    with console.capture() as captured:
        console.print(Padding(drawn, (0, 0, 0, indent), expand=False))
    for line in captured.get().splitlines():
        print(line.rstrip())


@contextlib.contextmanager
def progress_bar(total: int) -> Iterator[Callable[[str, int, int], None]]:
    """A bar on standard error, for people at a terminal; piped, nothing is drawn. Yields step(what, done, of)."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = _console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("", total=total)

        def step(what: str, done: int, of: int) -> None:
            progress.update(task, description=what, completed=done, total=of)

        yield step


def print_json(value: Any) -> None:
    """JSON with a line break after it. Refuses NaN: a missing value is null."""
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False, default=_plain))


def _plain(value: Any) -> Any:
    """What the json module does not know: numpy scalars, times (in UTC with their offset), days, paths."""
    if hasattr(value, "item"):
        return value.item()
    if hasattr(value, "tzinfo") and hasattr(value, "date"):
        return utc_text(value)
    if hasattr(value, "isoformat"):
        return value.isoformat()
    return str(value)


def records(frame: Any) -> list[dict[str, Any]]:
    """Rows of a data frame as dictionaries of plain values: missing is None, times are ISO 8601 in UTC."""
    import pandas as pd

    out: list[dict[str, Any]] = []
    for row in frame.to_dict("records"):
        plain: dict[str, Any] = {}
        for key, value in row.items():
            if isinstance(value, (list, dict, tuple)):
                plain[key] = value
            elif pd.isna(value):
                plain[key] = None
            elif isinstance(value, pd.Timestamp):
                plain[key] = utc_text(value)
            else:
                plain[key] = value.item() if hasattr(value, "item") else value
        out.append(plain)
    return out


def utc_text(moment: Any) -> str:
    """A UTC time (aware, or naive as the archive keeps it) as ISO 8601 with its offset, as imports print it."""
    from datetime import UTC

    return (moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)).isoformat()


def local_text(moment: Any, zone: str) -> str:
    """A UTC time as the archive keeps it (naive, or ISO text) to the minute in `zone`; "unknown" for None."""
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    if moment is None or moment != moment:  # NaT is the one value unequal to itself
        return "unknown"
    if isinstance(moment, str):
        moment = datetime.fromisoformat(moment)
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    return moment.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M")
