"""`ovenbook paste`: what the boards were soldered with, and the window it asks for."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.limits import limit_rows
from dashboard.commands.opening import assignments, known_fields, the_archive, who
from dashboard.commands.output import Json, print_json, records, say, wrong_usage
from dashboard.commands.reference import one_named

if TYPE_CHECKING:
    from ingest.alloys import Alloy

pastes = typer.Typer(help="Solder pastes with their windows.", no_args_is_help=True)

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
    known_fields(changes, "a paste", PASTE_FIELDS)
    archive = the_archive(ctx)
    paste_id, paste_name = one_named(archive, "paste", name)
    with archive.transaction() as con:
        for field, value in changes.items():
            reference.correct(con, "paste", paste_id, field, value or None, who(), why)
    say(f"Paste '{paste_name}': {', '.join(changes)} set.")
    told = bring_up_to_date(archive).sentence()
    if told:
        say(told)


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


def add_to(app: typer.Typer) -> None:
    app.add_typer(pastes, name="paste")
