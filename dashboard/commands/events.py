"""`ovenbook event`: maintenance and changes on an oven."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.dates import moment
from dashboard.commands.opening import assignments, the_archive, who
from dashboard.commands.output import Json, Refusal, local_text, print_json, records, say, table, trouble, wrong_usage
from dashboard.commands.reference import one_named

KINDS = (
    *("element", "seal", "fan", "clean", "relay", "thermocouple", "controller", "firmware", "profile", "moved"),
    "other",
)
FIELDS = ("kind", "on", "note", "expected", "restarts_baseline")

group = typer.Typer(help="Maintenance and changes on an oven, with their dates.", no_args_is_help=True)


@group.command("add")
def add(
    ctx: typer.Context,
    oven: Annotated[str, typer.Argument(metavar="OVEN", help="The oven's name.")],
    kind: Annotated[str, typer.Argument(metavar="KIND", help=f"One of: {', '.join(KINDS)}.")],
    on: Annotated[
        str, typer.Option("--on", metavar="DATE", help="2025-03-14, 2025-03-14T09:30, 2025-03 or now.")
    ] = "now",
    note: Annotated[str | None, typer.Option(metavar="TEXT", help="What was done.")] = None,
    expected: Annotated[str | None, typer.Option(metavar="TEXT", help="What it was meant to change.")] = None,
    restart: Annotated[
        bool | None,
        typer.Option(
            "--restart-baseline/--keep-baseline",
            help="Whether later runs are compared only with runs after this event. Default: by kind.",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Record an event. The date may be in the past, and only a month.

    \b
    Examples:
      ovenbook event add "Oven A" element --on 2025-03-14 --note "upper element replaced"
      ovenbook event add "Oven A" clean
    """
    from ingest.archive import reference

    if kind not in KINDS:
        raise wrong_usage(f"'{kind}' is not a kind of event. Choose one of: {', '.join(KINDS)}.")
    archive = the_archive(ctx)
    at, precision = moment(on, archive.zone)
    oven_id, oven_name = one_named(archive, "oven", oven)
    with archive.transaction() as con:
        number = reference.add_event(
            con,
            oven_id,
            kind,
            at,
            at_precision=precision,
            note=note,
            expected=expected,
            restarts_baseline=restart,
            origin="typed",
            who=who(),
        )
    say(f"Event {number}: {kind} on {oven_name}, {event_date(at, precision, archive.zone)}.")


@group.command("import")
def import_events(
    ctx: typer.Context,
    sheet: Annotated[
        str,
        typer.Argument(
            metavar="SHEET.csv",
            help="Columns: oven, kind, happened_at; optional: at_precision, note, expected, restarts_baseline.",
        ),
    ],
) -> None:
    """Record events from a sheet, all of them or none.

    \b
    Example:
      ovenbook event import maintenance.csv
    """
    from dashboard.commands.event_sheet import read_events, store_events

    archive = the_archive(ctx)
    found, problems = read_events(archive, sheet)
    if problems:
        for problem in problems[:20]:
            trouble(problem)
        raise Refusal(f"{len(problems)} lines of {sheet} are wrong; nothing was stored. Mend them and import it again.")
    store_events(archive, found, who())
    say(f"{len(found)} events stored.")


@group.command("correct")
def correct(
    ctx: typer.Context,
    event: Annotated[int, typer.Argument(metavar="EVENT", min=1, help="The event's number, as event list gives it.")],
    fields: Annotated[
        list[str], typer.Argument(metavar="FIELD=VALUE...", help=f"Fields: {', '.join(FIELDS)}. Empty: unknown.")
    ],
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why it is corrected.")] = None,
) -> None:
    """Correct an event: its date, kind, note, or whether it restarts the baseline.

    The old value is kept with who, when and why.

    \b
    Examples:
      ovenbook event correct 3 on=2025-03-12 --why "date of the invoice, not of the repair"
      ovenbook event correct 3 restarts_baseline=no
    """
    from ingest.archive import events, reference

    changes = assignments(fields, "ovenbook event correct 3 on=2025-03-12")
    archive = the_archive(ctx)
    values: dict[str, Any] = {}
    for field, text in changes.items():
        if field == "on":
            values["happened_at"], values["at_precision"] = moment(text, archive.zone)
        elif field == "restarts_baseline":
            if text.casefold() not in ("yes", "no"):
                raise wrong_usage(f"'{text}' for restarts_baseline is neither yes nor no.")
            values[field] = text.casefold() == "yes"
        elif field == "kind" and text not in KINDS:
            raise wrong_usage(f"'{text}' is not a kind of event. Choose one of: {', '.join(KINDS)}.")
        elif field in FIELDS:
            values[field] = text or None
        else:
            raise wrong_usage(f"an event has no field '{field}'. Fields: {', '.join(FIELDS)}.")
    with archive.transaction() as con:
        for field, value in values.items():
            reference.correct(con, "event", event, field, value, who(), why)
        now = events.get_event(con, event)
        oven = reference.get_oven(con, now["oven_id"])["name"]
    date = event_date(now["happened_at"], now["at_precision"], archive.zone)
    restarts = "baseline restarts" if now["restarts_baseline"] else "baseline goes on"
    say(f"Event {event}: {now['kind']} on {oven}, {date}; {restarts}.")


@group.command("list")
def list_events(
    ctx: typer.Context,
    oven: Annotated[str | None, typer.Option(metavar="NAME", help="Only events of this oven.")] = None,
    as_json: Json = False,
) -> None:
    """List events, oldest first.

    \b
    Example:
      ovenbook event list --oven "Oven A"
    """
    archive = the_archive(ctx)
    where, values = "", []
    if oven is not None:
        where, values = "WHERE oven = ?", [one_named(archive, "oven", oven)[1]]
    rows = records(archive.read(f"SELECT * FROM oven_event {where} ORDER BY happened_at, event", values))
    if as_json:
        print_json(rows)
        return
    if not rows:
        say('No event is recorded. Example: ovenbook event add "Oven A" clean --on 2025-03-14')
        return
    table(
        ("event", "when", "oven", "kind", "note"),
        [
            (
                row["event"],
                event_date(row["happened_at"], row["at_precision"], archive.zone),
                row["oven"],
                row["kind"],
                "; ".join(filter(None, (row["note"], "baseline restarts" if row["restarts_baseline"] else None))),
            )
            for row in rows
        ],
        right=("event",),
    )


def event_date(at: object, precision: str, zone: str) -> str:
    """A date no more exact than it was given."""
    return local_text(at, zone)[: {"month": 7, "day": 10}.get(precision, 16)]


def add_to(app: typer.Typer) -> None:
    app.add_typer(group, name="event")
