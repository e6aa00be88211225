"""`ovenbook inspect`: what someone saw on the boards of a run, and that nothing was seen."""

from __future__ import annotations

import re
from typing import Annotated, Any

import typer

from dashboard.commands.dates import moment
from dashboard.commands.inspection_sheet import METHODS, SIDES
from dashboard.commands.opening import run_number, the_archive, who
from dashboard.commands.output import (
    DONE,
    HELD_OR_REJECTED,
    Json,
    Refusal,
    local_text,
    print_json,
    records,
    say,
    table,
    trouble,
    wrong_usage,
)

FOUND = re.compile(r"^\s*(?P<term>[^:@]+?)\s*(?::\s*(?P<count>\d+)\s*)?(?:@\s*(?P<where>.+?)\s*)?$")


def found_defect(text: str) -> dict[str, Any]:
    """A defect as typed, "tombstoning:2@R12": term, count and reference designator. The count is 1 when none is given.

    Several places are separated by "+", the last may be a side: "bridging:3@U4+left".
    """
    matched = FOUND.match(text)
    if not matched:
        raise wrong_usage(f"'{text}' is not DEFECT:COUNT@PLACE. Example: --found 'tombstoning:2@R12'")
    places = [part.strip() for part in (matched["where"] or "").split("+") if part.strip()]
    sides = [part for part in places if part.lower() in SIDES]
    parts = [part for part in places if part.lower() not in SIDES]
    count = int(matched["count"]) if matched["count"] else 1
    if count < 1:
        raise wrong_usage(f"'{text}' counts none. A run that was looked at and clean is recorded without --found.")
    return {
        "term": matched["term"],
        "count": count,
        "ref_des": ", ".join(parts) or None,
        "side": sides[0].lower() if sides else None,
    }


def inspect(
    ctx: typer.Context,
    run: Annotated[str | None, typer.Argument(metavar="RUN", help="The run's number, or latest.")] = None,
    looked: Annotated[
        int | None, typer.Option("--looked", metavar="N", min=1, help="How many joints were looked at.")
    ] = None,
    boards: Annotated[
        int | None, typer.Option("--boards", metavar="N", min=1, help="How many boards were looked at.")
    ] = None,
    found: Annotated[
        list[str] | None,
        typer.Option(
            "--found",
            metavar="DEFECT:COUNT@PLACE",
            help="A defect seen, as tombstoning:2@R12. May be given several times.",
        ),
    ] = None,
    method: Annotated[
        str, typer.Option("--method", metavar="WORDS", help=f"One of: {', '.join(METHODS)}.")
    ] = "naked eye",
    scope: Annotated[
        str | None, typer.Option("--scope", metavar="TEXT", help="What was looked at, when not all of it.")
    ] = None,
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="When: now, 2025-03-14 or 2025-03-14T09:30.")] = "now",
    sheet: Annotated[
        str | None,
        typer.Option(
            "--import",
            metavar="SHEET.csv",
            help="A sheet of inspections. Columns: file or run, defect, count, inspected; optional: ref_des, side.",
        ),
    ] = None,
    withdraw: Annotated[
        int | None,
        typer.Option("--withdraw", metavar="INSPECTION", min=1, help="Take back an inspection entered by mistake."),
    ] = None,
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="Why it is taken back.")] = None,
    as_json: Json = False,
) -> None:
    """Record what was seen on a run's boards.

    With --looked and nothing found the run was inspected and clean; a run without a record is not inspected, which is
    not the same. A run alone lists its inspections.

    \b
    Examples:
      ovenbook inspect 12 --looked 480 --found "tombstoning:2@R12" --found "solder balls"
      ovenbook inspect 13 --looked 480 --boards 4
      ovenbook inspect --import inspections.csv
      ovenbook inspect 12 --json
      ovenbook inspect --withdraw 7 --why "wrong run"
    """
    if sheet is not None:
        if run is not None:
            raise wrong_usage("--import takes the runs from the sheet; leave RUN out.")
        _import_sheet(ctx, sheet, as_json)
        return
    if withdraw is not None:
        _withdraw(ctx, withdraw, why)
        return
    if run is None:
        raise wrong_usage("name the run. Example: ovenbook inspect 12 --looked 480 --found 'tombstoning:2@R12'")
    archive = the_archive(ctx)
    number = run_number(archive, run)
    if looked is None and boards is None and not found:
        _list(archive, number, as_json)
        return
    if looked is None and boards is None:
        raise wrong_usage(
            "say how much was looked at: --looked JOINTS, --boards N, or both. Without it no rate can be given."
        )
    if method not in METHODS:
        raise wrong_usage(f"'{method}' is not a method. Choose one of: {', '.join(METHODS)}.")
    defects = [found_defect(text) for text in found or ()]
    at, _ = moment(on, archive.zone)
    from dashboard import words
    from ingest.archive import quality

    with archive.transaction() as con:
        quality.add_inspection(
            con,
            number,
            method,
            scope=scope,
            boards_looked=boards,
            joints_looked=looked,
            who=who(),
            at=at,
            origin="typed",
            defects=defects,
        )
    seen = words.listed([f"{d['count']} {d['term']}" for d in defects]) or "none found"
    amounts = [words.counted(n, one) for n, one in ((looked, "joint"), (boards, "board")) if n is not None]
    amount = " on ".join(amounts)
    say(f"Run {number}: {amount} looked at, {seen}.")


def _withdraw(ctx: typer.Context, inspection: int, why: str | None) -> None:
    from ingest.archive import quality

    with the_archive(ctx).transaction() as con:
        quality.withdraw_inspection(con, inspection, who(), why)
    say(f"Inspection {inspection} is taken back; the record of changes keeps it.")


def _list(archive: Any, run: int, as_json: bool) -> None:
    rows = records(archive.read("SELECT * FROM defect_long WHERE run = ? ORDER BY inspection, defect", (run,)))
    if as_json:
        print_json(rows)
        return
    if not rows:
        say(f"Run {run} is not inspected. That is not the same as clean. Record it: ovenbook inspect {run} --looked N")
        return
    table(
        ("no", "inspected", "method", "boards", "joints", "found", "where"),
        [
            (
                row["inspection"],
                local_text(row["inspected_at"], archive.zone),
                row["method"],
                row["boards_looked"],
                row["joints_looked"],
                "none found" if row["defect"] is None else f"{row['count']} {row['defect']}",
                ", ".join(filter(None, (row["ref_des"], row["side"]))),
            )
            for row in rows
        ],
        right=("no", "boards", "joints"),
    )


def _import_sheet(ctx: typer.Context, sheet: str, as_json: bool) -> None:
    """Every inspection of the sheet, or none when a line is wrong: all problems are listed at once."""
    from dashboard.commands.inspection_sheet import read_inspections, store_inspections

    archive = the_archive(ctx)
    inspections, problems = read_inspections(archive, sheet)
    if not problems:
        store_inspections(archive, inspections, who())
    counts = {
        "inspections": 0 if problems else len(inspections),
        "clean": 0 if problems else sum(1 for i in inspections if not i.defects),
        "defects": 0 if problems else sum(d["count"] for i in inspections for d in i.defects),
        "problems": problems,
    }
    if as_json:
        print_json(counts)
    if problems:
        if not as_json:
            for problem in problems[:20]:
                trouble(problem)
            raise Refusal(
                f"{len(problems)} lines of {sheet} are wrong; nothing was stored. Mend them and import the sheet again."
            )
        raise typer.Exit(HELD_OR_REJECTED)
    if not as_json:
        say(
            f"{counts['inspections']} inspections stored, {counts['clean']} of them clean; {counts['defects']} defects."
        )
    raise typer.Exit(DONE)


def add_to(app: typer.Typer) -> None:
    app.command("inspect")(inspect)
