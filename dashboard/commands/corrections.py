"""`ovenbook set`: correct or complete what is recorded of a run."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.opening import assignments, run_numbers, the_archive, who
from dashboard.commands.output import say, wrong_usage
from dashboard.commands.reference import one_named

NAMED = ("oven", "paste", "jar", "board", "profile")
PLAIN = (
    "kind",
    "orientation",
    "load_count",
    "operator",
    "firmware",
    "ambient_c",
    "serials",
    "end_reason",
    "started_at",
    "note",
)
CHOICES = {"kind": ("product", "reference", "development", "bakeout"), "orientation": ("0", "90", "180", "270")}


def set_fields(
    ctx: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number, latest, or several as 2-6,9.")],
    fields: Annotated[
        list[str],
        typer.Argument(metavar="FIELD=VALUE...", help=f"Fields: {', '.join((*NAMED, *PLAIN))}. Empty: unknown."),
    ],
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why it is changed.")] = None,
) -> None:
    """Correct or complete a run.

    The old value is kept with who, when and why; the run is judged again, by the windows it was judged by as far as they
    still belong to it.

    \b
    Examples:
      ovenbook set 12 board=Blinker jar=J7
      ovenbook set 2-6 paste=SAC305
      ovenbook set 12 orientation=180 --why "read off the photo"
    """
    from analysis.store import reevaluate
    from dashboard import words
    from ingest.archive import runs

    changes = assignments(fields, "ovenbook set 12 board=Blinker")
    archive = the_archive(ctx)
    numbers = run_numbers(archive, run)
    values = {field: _value(archive, field, text) for field, text in changes.items()}
    with archive.transaction() as con:
        for number in numbers:
            for field, value in values.items():
                runs.set_run_field(con, number, field, value, "typed", who(), why)
    reevaluate(archive, numbers, keep_windows=True)
    after = archive.read("SELECT run, verdict FROM run_overview WHERE list_contains(?::INTEGER[], run)", (numbers,))
    verdicts = {int(n): verdict for n, verdict in zip(after["run"], after["verdict"], strict=True)}
    for number in numbers:
        say(f"Run {number}: {words.listed(list(changes))} set. Verdict: {words.short_verdict(verdicts.get(number))}.")


def _value(archive: Any, field: str, text: str) -> Any:
    """What is stored for a field: the number of a named thing, a number, a time, or the text. Empty text is unknown."""
    if field not in (*NAMED, *PLAIN):
        raise wrong_usage(f"a run has no field '{field}'. Fields: {', '.join((*NAMED, *PLAIN))}.")
    if not text:
        return None
    if field in NAMED:
        return one_named(archive, field, text)[0]
    if field in CHOICES and text not in CHOICES[field]:
        raise wrong_usage(f"'{text}' is not a value of {field}. Choose one of: {', '.join(CHOICES[field])}.")
    if field == "started_at":
        from dashboard.commands.dates import moment

        return moment(text, archive.zone)[0]
    if field in ("load_count", "ambient_c"):
        try:
            return int(text) if field == "load_count" else float(text)
        except ValueError:
            raise wrong_usage(f"'{text}' for {field} is not a number.") from None
    return text


def add_to(app: typer.Typer) -> None:
    app.command("set")(set_fields)
