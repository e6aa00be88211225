"""`ovenbook inspect`: what someone saw on the boards of a run, and that nothing was seen."""

from __future__ import annotations

import re
from typing import Annotated, Any

import typer

from dashboard.commands.dates import moment
from dashboard.commands.opening import assignments, run_number, the_archive, who
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

METHODS = ("naked eye", "loupe", "microscope", "automated optical", "x-ray", "electrical", "other")
SIDES = ("left", "right", "front", "back", "centre")
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
    serial: Annotated[
        str | None, typer.Option("--serial", metavar="TEXT", help="The board, when it is one board of the run.")
    ] = None,
    severity: Annotated[
        str | None, typer.Option("--severity", metavar="TEXT", help="Of the defects found, as the shop classes them.")
    ] = None,
    rework: Annotated[
        str | None, typer.Option("--rework", metavar="TEXT", help="What was done about the defects found.")
    ] = None,
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="When: now, 2025-03-14 or 2025-03-14T09:30.")] = "now",
    sheet: Annotated[
        str | None,
        typer.Option(
            "--import",
            metavar="SHEET.csv",
            help="A sheet of inspections. Columns: file, run or serial, defect, count, inspected; optional: ref_des, side.",
        ),
    ] = None,
    answer: Annotated[
        list[str] | None,
        typer.Option(
            "--answer",
            metavar="WHAT=COLUMN",
            help="With --import: which column is where, defect, count or inspected. Remembered for sheets of this kind.",
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
      ovenbook inspect --import machine.csv --answer "defect=Result text"
      ovenbook inspect 12 --json
      ovenbook inspect --withdraw 7 --why "wrong run"
    """
    if sheet is not None:
        if run is not None:
            raise wrong_usage("--import takes the runs from the sheet; leave RUN out.")
        example = "--answer 'defect=Result text'"
        _import_sheet(ctx, sheet, assignments(answer or [], example), as_json)
        return
    if answer:
        raise wrong_usage("--answer belongs to --import SHEET.csv.")
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
    defects = [found_defect(text) | {"severity": severity, "rework": rework} for text in found or ()]
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
            serial=serial,
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


def _import_sheet(ctx: typer.Context, sheet: str, answers: dict[str, str], as_json: bool) -> None:
    """Every inspection of the sheet, or none when a line is wrong: all problems are listed at once."""
    from dashboard.commands.inspection_sheet import inspections_of, open_sheet, store_sheet

    archive = the_archive(ctx)
    read = open_sheet(archive, sheet, answers)
    questions = [{"id": q.id, "text": q.text, "choices": list(q.choices), "guess": q.guess} for q in read.questions]
    inspections, problems = ([], []) if questions else inspections_of(archive, read)
    stored = None if questions or problems else store_sheet(archive, read, inspections, who())
    if as_json:
        print_json(
            {
                "inspections": stored.inspections if stored else 0,
                "clean": stored.clean if stored else 0,
                "defects": stored.defects if stored else 0,
                "already_there": stored.already_there if stored else 0,
                "problems": problems,
                "questions": questions,
            }
        )
    if questions:
        if not as_json:
            _ask(sheet, read)
        raise typer.Exit(HELD_OR_REJECTED)
    if problems:
        if not as_json:
            for problem in problems[:20]:
                trouble(problem)
            raise Refusal(
                f"{len(problems)} lines of {sheet} are wrong; nothing was stored. Mend them and import the sheet again."
            )
        raise typer.Exit(HELD_OR_REJECTED)
    if stored is not None and not as_json:
        if stored.duplicate_of:
            say(
                f"{sheet} was imported on {local_text(stored.duplicate_of, archive.zone)} already; nothing is stored twice."
            )
        else:
            there = f" {stored.already_there} were there already." if stored.already_there else ""
            say(
                f"{stored.inspections} inspections stored, {stored.clean} of them clean; "
                f"{stored.defects} defects.{there}"
            )
            if "inspected" not in read.columns:
                say("The sheet does not say how many joints were looked at, so no rate per joint can be given.")
    raise typer.Exit(DONE)


def _ask(sheet: str, read: Any) -> None:
    for question in read.questions:
        guess = f" Perhaps {question.guess}." if question.guess else ""
        say(f"{question.text} Columns: {', '.join(question.choices)}.{guess}")
    options = " ".join(f"--answer '{q.id}={q.guess or 'COLUMN'}'" for q in read.questions)
    say(f"Nothing was stored. Answer once; it is remembered: ovenbook inspect --import {sheet} {options}")


def add_to(app: typer.Typer) -> None:
    app.command("inspect")(inspect)
