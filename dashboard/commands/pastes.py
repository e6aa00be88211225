"""`ovenbook paste` and `jar`: what the boards were soldered with, and the window it asks for."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.dates import day, moment
from dashboard.commands.limits import limit_rows
from dashboard.commands.opening import assignments, the_archive, who
from dashboard.commands.output import Json, Refusal, local_text, print_json, records, say, table, wrong_usage
from dashboard.commands.reference import one_named

if TYPE_CHECKING:
    from ingest.alloys import Alloy

pastes = typer.Typer(help="Solder pastes with their windows.", no_args_is_help=True)
jars = typer.Typer(
    help="Opened jars of paste. Runs inherit the open jar until another is opened.", no_args_is_help=True
)

Peak = Annotated[str | None, typer.Option("--peak", metavar="LOW:HIGH", help="Peak at the joint in °C, as 235:250.")]
Above = Annotated[
    str | None, typer.Option("--above-liquidus", metavar="LOW:HIGH", help="Time above liquidus in s, as 40:90.")
]
Soak = Annotated[
    str | None,
    typer.Option("--soak", metavar="FROM:TO:LOW:HIGH", help="Soak between two °C, in s, as 150:200:60:120."),
]
RampUp = Annotated[str | None, typer.Option("--ramp-up", metavar="LOW:HIGH", help="Steepest ramp up in °C/s, as :3.")]
Cooling = Annotated[str | None, typer.Option("--cooling", metavar="LOW:HIGH", help="Steepest cooling in °C/s, as :6.")]
Source = Annotated[str | None, typer.Option("--source", metavar="TEXT", help="Where the limits stand.")]
Revision = Annotated[str | None, typer.Option("--revision", metavar="TEXT", help="The revision of that sheet.")]


@pastes.command("add")
def add_paste(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The paste's name as on the jar.")],
    alloy: Annotated[
        str | None, typer.Option("--alloy", metavar="ALLOY", help="Its alloy, as SAC305 or Sn63Pb37.")
    ] = None,
    liquidus: Annotated[
        float | None, typer.Option("--liquidus", metavar="C", help="Liquidus in °C, for an alloy not in the table.")
    ] = None,
    solidus: Annotated[float | None, typer.Option("--solidus", metavar="C", help="Solidus in °C, likewise.")] = None,
    family: Annotated[
        str | None, typer.Option("--family", metavar="WORD", help="SnPb, PbFree or BiSn, likewise.")
    ] = None,
    powder: Annotated[str | None, typer.Option("--powder", metavar="TYPE", help="Powder type, as 4.")] = None,
    flux: Annotated[str | None, typer.Option("--flux", metavar="TEXT", help="Flux class.")] = None,
    open_life: Annotated[
        float | None, typer.Option("--open-life", metavar="DAYS", min=0, help="Working life once opened, in days.")
    ] = None,
    peak: Peak = None,
    above_liquidus: Above = None,
    soak: Soak = None,
    ramp_up: RampUp = None,
    cooling: Cooling = None,
    source: Source = None,
    revision: Revision = None,
    note: Annotated[str | None, typer.Option("--note", metavar="TEXT", help="Anything worth knowing.")] = None,
) -> None:
    """Record a paste with the limits of its data sheet.

    Name the sheet and its revision. Without limits of its own, a paste's runs are judged by the default window of its
    alloy family, marked as a default.

    \b
    Example:
      ovenbook paste add "Invented 305" --alloy SAC305 --peak 235:250 --above-liquidus 40:90 \\
        --soak 150:200:60:120 --ramp-up :3 --source "data sheet" --revision 2024-05
    """
    from dashboard import words
    from ingest.archive import reference

    melts = _alloy(name, alloy, liquidus, solidus, family)
    rows = limit_rows(melts.liquidus_c, peak, above_liquidus, soak, ramp_up, cooling)
    if rows and not source:
        raise wrong_usage("limits need to say where they stand: add --source 'data sheet of ...' and --revision.")
    archive = the_archive(ctx)
    with archive.transaction() as con:
        paste_id = reference.add_paste(
            con,
            name,
            alloy=melts.name,
            family=melts.family,
            solidus_c=melts.solidus_c,
            liquidus_c=melts.liquidus_c,
            powder_type=powder,
            flux=flux,
            open_life_days=open_life,
            note=note,
        )
        if rows:
            reference.add_window(con, "paste", source or "", revision or "", rows, paste_id=paste_id)
    tail = (
        f"{words.counted(len(rows), 'limit')} from {source}."
        if rows
        else "It has no limits of its own; the family's default is used."
    )
    say(f"Paste '{name}' is recorded, {melts.name}, liquidus {melts.liquidus_c:g} °C. {tail}")


def _alloy(name: str, alloy: str | None, liquidus: float | None, solidus: float | None, family: str | None) -> Alloy:
    """The alloy as said, or as the paste's name tells. What is typed wins over the table; nothing is guessed."""
    from ingest.alloys import KNOWN_ALLOYS, Alloy, alloy_in

    found = alloy_in(alloy or name)
    if found is None:
        if alloy is None or liquidus is None:
            raise wrong_usage(
                f"the alloy of '{name}' is not known. Name it with --alloy ({', '.join(KNOWN_ALLOYS)}), "
                "or give --alloy, --liquidus and --family."
            )
        if family is None:
            raise wrong_usage("an alloy that is not in the table needs --family: SnPb, PbFree or BiSn.")
        return Alloy(alloy, family, liquidus if solidus is None else solidus, liquidus)
    liquidus_c = found.liquidus_c if liquidus is None else liquidus
    solidus_c = min(found.solidus_c, liquidus_c) if solidus is None else solidus
    return Alloy(found.name, family or found.family, solidus_c, liquidus_c)


@pastes.command("window")
def new_window(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="PASTE", help="The paste's name.")],
    source: Annotated[str, typer.Option("--source", metavar="TEXT", help="Where the limits stand.")],
    revision: Annotated[str, typer.Option("--revision", metavar="TEXT", help="The revision of that sheet.")],
    peak: Peak = None,
    above_liquidus: Above = None,
    soak: Soak = None,
    ramp_up: RampUp = None,
    cooling: Cooling = None,
    judge_again: Annotated[
        bool, typer.Option("--judge-again", help="Judge this paste's earlier runs by the new limits too.")
    ] = False,
) -> None:
    """Record a new revision of a paste's window.

    The earlier one is kept, and the verdicts given under it stand unless --judge-again is given.

    \b
    Example:
      ovenbook paste window "Invented 305" --peak 235:248 --source "data sheet" --revision 2025-02
    """
    from dashboard import words
    from ingest.archive import reference

    archive = the_archive(ctx)
    paste_id, paste_name = one_named(archive, "paste", name)
    liquidus_c = float(
        archive.read("SELECT liquidus_c FROM paste WHERE paste_id = ?", (paste_id,))["liquidus_c"].iloc[0]
    )
    rows = limit_rows(liquidus_c, peak, above_liquidus, soak, ramp_up, cooling)
    if not rows:
        raise wrong_usage("a window needs at least one limit. Example: --peak 235:248")
    with archive.transaction() as con:
        reference.add_window(con, "paste", source, revision, rows, paste_id=paste_id, rejudge=judge_again)
    say(f"Paste '{paste_name}': {words.counted(len(rows), 'limit')} from {source}, revision {revision}.")
    if judge_again:
        from analysis.store import reevaluate

        frame = archive.read("SELECT run_id FROM run WHERE paste_id = ? ORDER BY run_id", (paste_id,))
        numbers = [int(run) for run in frame["run_id"]]
        reevaluate(archive, numbers)
        say(f"{words.counted(len(numbers), 'run')} judged again.")
    else:
        say("Earlier verdicts stand under the earlier window. To judge a run again: ovenbook reevaluate RUN")


PASTE_FIELDS = ("name", "alloy", "family", "solidus_c", "liquidus_c", "powder_type", "flux", "open_life_days", "note")


@pastes.command("set")
def set_paste(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="PASTE", help="The paste's name.")],
    fields: Annotated[
        list[str], typer.Argument(metavar="FIELD=VALUE...", help=f"Fields: {', '.join(PASTE_FIELDS)}. Empty: unknown.")
    ],
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why it is corrected.")] = None,
) -> None:
    """Correct what is recorded of a paste.

    The old value is kept with who, when and why. Limits are not corrected but followed by a new window (paste window).

    \b
    Example:
      ovenbook paste set "Invented 305" flux=no-clean open_life_days=5
    """
    from dashboard.judging import bring_up_to_date
    from ingest.archive import reference

    changes = assignments(fields, "ovenbook paste set 'Invented 305' flux=no-clean")
    _known(changes, "a paste", PASTE_FIELDS)
    archive = the_archive(ctx)
    paste_id, paste_name = one_named(archive, "paste", name)
    with archive.transaction() as con:
        for field, value in changes.items():
            reference.correct(con, "paste", paste_id, field, value or None, who(), why)
    say(f"Paste '{paste_name}': {', '.join(changes)} set.")
    told = bring_up_to_date(archive).sentence()
    if told:
        say(told)


def _known(changes: dict[str, str], what: str, fields: tuple[str, ...]) -> None:
    for field in changes:
        if field not in fields:
            raise wrong_usage(f"{what} has no field '{field}'. Fields: {', '.join(fields)}.")


@pastes.command("list")
def list_pastes(ctx: typer.Context, as_json: Json = False) -> None:
    """List pastes with their limits and where those stand.

    \b
    Example:
      ovenbook paste list --json
    """
    from dashboard import words

    archive = the_archive(ctx)
    rows = records(
        archive.read("SELECT paste_id AS paste, * EXCLUDE (paste_id, created_at) FROM paste ORDER BY is_default, name")
    )
    limits = records(
        archive.read(
            "SELECT w.paste_id AS paste, w.source, w.revision, w.is_default, l.metric, l.parameters, l.low, l.high, l.unit"
            " FROM limit_window w JOIN window_limit l USING (window_id)"
            " WHERE w.scope = 'paste' AND w.superseded_at IS NULL ORDER BY w.window_id, l.metric"
        )
    )
    for row in rows:
        row["limits"] = [
            {**{k: v for k, v in limit.items() if k != "paste"}, "parameters": json.loads(limit["parameters"])}
            for limit in limits
            if limit["paste"] == row["paste"]
        ]
    if as_json:
        print_json(rows)
        return
    for row in rows:
        default = ", a default of its alloy family: the paste's own sheet wins" if row["is_default"] else ""
        say(f"{row['name']}: {row['alloy']}, liquidus {row['liquidus_c']:g} °C{default}", bold=True)
        for limit in row["limits"]:
            name = words.metric_text(limit["metric"], limit["parameters"])
            bounds = words.limit_text(limit["metric"], limit["low"], limit["high"], limit["unit"])
            say(f"{name}: {bounds}", indent=2)
        for source in dict.fromkeys(words.source_text(limit["source"], limit["revision"]) for limit in row["limits"]):
            say(f"From {source}.", indent=2)
        if not row["limits"]:
            say("No limits of its own.", indent=2)


# Jars ----------------------------------------------------------------------------------------------------------------


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
    _known(changes, "a jar", JAR_FIELDS)
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
    app.add_typer(pastes, name="paste")
    app.add_typer(jars, name="jar")
