"""`ovenbook jar`: which jar of paste is open, since when and until when."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.dates import day, moment
from dashboard.commands.opening import assignments, known_fields, the_archive, who
from dashboard.commands.output import Json, Refusal, local_text, print_json, records, say, table
from dashboard.commands.reference import one_named

jars = typer.Typer(
    help="Opened jars of paste. Runs inherit the open jar until another is opened.", no_args_is_help=True
)


@jars.command("open")
def open_jar(
    ctx: typer.Context,
    label: Annotated[str, typer.Argument(metavar="LABEL", help="What you write on the jar; must be new.")],
    paste: Annotated[str, typer.Option("--paste", metavar="NAME", help="The paste in it.")],
    lot: Annotated[str | None, typer.Option("--lot", metavar="TEXT", help="Its lot.")] = None,
    expiry: Annotated[
        str | None, typer.Option("--expiry", metavar="DATE", help="Expiry on the label, 2025-12-31.")
    ] = None,
    opened: Annotated[
        str, typer.Option("--opened", metavar="DATE", help="When it was opened: now, a day or a time.")
    ] = "now",
    storage: Annotated[str | None, typer.Option("--storage", metavar="TEXT", help="How it is kept.")] = None,
    note: Annotated[str | None, typer.Option("--note", metavar="TEXT", help="Anything worth knowing.")] = None,
) -> None:
    """Record that a jar was opened.

    Later runs with this paste inherit it until another jar is opened.

    \b
    Example:
      ovenbook jar open J7 --paste "Invented 305" --lot L2031 --expiry 2025-12-31 --storage refrigerator
    """
    from ingest.archive import reference

    archive = the_archive(ctx)
    paste_id, paste_name = one_named(archive, "paste", paste)
    at, _ = moment(opened, archive.zone)
    with archive.transaction() as con:
        reference.add_jar(
            con,
            label,
            paste_id,
            lot=lot,
            expiry=day(expiry) if expiry else None,
            opened_at=at,
            storage=storage,
            note=note,
        )
    say(f"Jar '{label}' of {paste_name} is open since {local_text(at, archive.zone)}.")


@jars.command("list")
def list_jars(ctx: typer.Context, as_json: Json = False) -> None:
    """List jars, newest first, with their age and the number of their runs.

    \b
    Example:
      ovenbook jar list
    """
    archive = the_archive(ctx)
    rows = records(
        archive.read(
            "SELECT j.label AS jar, p.name AS paste, j.lot, j.expiry, j.opened_at, j.finished_at, j.storage, j.note,"
            " p.open_life_days, count(r.run_id) AS runs FROM jar j JOIN paste p USING (paste_id)"
            " LEFT JOIN run r ON r.jar_id = j.jar_id GROUP BY ALL ORDER BY j.opened_at DESC NULLS LAST, j.label"
        )
    )
    if as_json:
        print_json(rows)
        return
    if not rows:
        say('No jar is recorded. Open one: ovenbook jar open J1 --paste "SAC305 (family default)" --lot L1')
        return
    in_use: dict[str, str] = {}
    for row in rows:
        if not row["finished_at"]:
            in_use.setdefault(row["paste"], row["jar"])
    table(
        ("jar", "paste", "lot", "opened", "expires", "runs", "remark"),
        [
            (
                row["jar"],
                row["paste"],
                row["lot"] or "unknown",
                local_text(row["opened_at"], archive.zone)[:10],
                (row["expiry"] or "unknown")[:10],
                row["runs"],
                _jar_remark(row, in_use=in_use.get(row["paste"]) == row["jar"]),
            )
            for row in rows
        ],
        right=("runs",),
    )


def _jar_remark(jar: dict[str, Any], *, in_use: bool) -> str:
    """What there is to say about a jar today; an earlier jar of the paste has been followed by another."""
    from datetime import UTC, datetime

    now = datetime.now(UTC)
    remarks: list[str] = []
    if jar["finished_at"]:
        remarks.append("finished")
    elif not in_use:
        remarks.append("followed by another")
    elif jar["expiry"] and datetime.fromisoformat(jar["expiry"]).date() < now.date():
        remarks.append("expired")
    elif jar["opened_at"] and jar["open_life_days"]:
        days = (now - datetime.fromisoformat(jar["opened_at"])).total_seconds() / 86400
        if days > jar["open_life_days"]:
            remarks.append(f"open longer than its {jar['open_life_days']:g} days")
    return "; ".join(filter(None, (*remarks, jar["note"])))


JAR_FIELDS = ("label", "lot", "expiry", "opened_at", "finished_at", "storage", "note")


@jars.command("set")
def set_jar(
    ctx: typer.Context,
    label: Annotated[str, typer.Argument(metavar="LABEL", help="The jar's label.")],
    fields: Annotated[
        list[str], typer.Argument(metavar="FIELD=VALUE...", help=f"Fields: {', '.join(JAR_FIELDS)}. Empty: unknown.")
    ],
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why it is corrected.")] = None,
) -> None:
    """Correct what is recorded of a jar.

    The old value is kept with who, when and why.

    \b
    Example:
      ovenbook jar set J7 lot=L2032 expiry=2026-06-30 --why "misread on the lid"
    """
    from ingest.archive import reference

    changes = assignments(fields, "ovenbook jar set J7 lot=L2032")
    known_fields(changes, "a jar", JAR_FIELDS)
    archive = the_archive(ctx)
    values: dict[str, Any] = {}
    for field, text in changes.items():
        if not text:
            values[field] = None
        elif field == "expiry":
            values[field] = day(text)
        elif field.endswith("_at"):
            values[field] = moment(text, archive.zone)[0]
        else:
            values[field] = text
    jar_id, jar_label = one_named(archive, "jar", label)
    with archive.transaction() as con:
        kept = reference.get_jar(con, jar_id) | values
        if (
            kept["opened_at"] is not None
            and kept["finished_at"] is not None
            and kept["finished_at"] < kept["opened_at"]
        ):
            raise Refusal(f"jar '{jar_label}' would be finished before it was opened. See: ovenbook jar list")
        for field, value in values.items():
            reference.correct(con, "jar", jar_id, field, value, who(), why)
    say(f"Jar '{jar_label}': {', '.join(changes)} set.")


@jars.command("finish")
def finish_jar(
    ctx: typer.Context,
    label: Annotated[str, typer.Argument(metavar="LABEL", help="The jar's label.")],
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="When it was finished.")] = "now",
) -> None:
    """Record that a jar is used up; runs no longer inherit it.

    \b
    Example:
      ovenbook jar finish J7
    """
    from ingest.archive import reference

    archive = the_archive(ctx)
    jar_id, jar_label = one_named(archive, "jar", label)
    at, _ = moment(on, archive.zone)
    with archive.transaction() as con:
        opened = reference.get_jar(con, jar_id)["opened_at"]
        if opened is not None and at < opened:
            raise Refusal(f"jar '{jar_label}' was opened after that. See: ovenbook jar list")
        reference.correct(con, "jar", jar_id, "finished_at", at, who(), "finished")
    say(f"Jar '{jar_label}' is finished.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(jars, name="jar")
