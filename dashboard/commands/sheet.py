"""`ovenbook sheet`: the batch sheet of chosen runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard.commands.export import Board, From, Jar, Lot, Oven, Paste, Replace, Until, Words, chosen
from dashboard.commands.opening import archive_path, the_archive
from dashboard.commands.output import progress_bar, say, wrong_usage

ENDINGS = (".html", ".pdf")


def sheet(
    ctx: typer.Context,
    to: Annotated[
        list[Path], typer.Option("--to", metavar="FILE", help="The file, .html or .pdf; may be given twice.")
    ],
    runs: Annotated[
        str | None, typer.Argument(metavar="RUNS", help="Run numbers: 12, 2-6, 2-6,9. Else all that match.")
    ] = None,
    oven: Oven = None,
    board: Board = None,
    paste: Paste = None,
    jar: Jar = None,
    lot: Lot = None,
    words: Words = None,
    first: From = None,
    last: Until = None,
    order: Annotated[str | None, typer.Option(help="The order, as it shall stand on the sheet.")] = None,
    supplier: Annotated[str | None, typer.Option(help="Who hands the sheet out.")] = None,
    customer: Annotated[str | None, typer.Option(help="Who it is for.")] = None,
    stencil: Annotated[str | None, typer.Option(help="Stencil and its thickness.")] = None,
    finish: Annotated[str | None, typer.Option(help="Finish of the boards.")] = None,
    decision: Annotated[str | None, typer.Option(help="What was decided about deviations.")] = None,
    released_by: Annotated[str | None, typer.Option(help="Who released the boards.")] = None,
    redact: Annotated[
        list[str] | None,
        typer.Option(help="Leave out: people (initials stay), serials, notes, files. May be repeated."),
    ] = None,
    replace: Replace = False,
) -> None:
    """Write a batch sheet of chosen runs, as HTML or PDF.

    Limits, margins, curves, checks, inspection, hashes, and what was not measured; one file that needs nothing else to open.

    \b
    Examples:
      ovenbook sheet 12-16 --to order-4711.pdf --order 4711
      ovenbook sheet --board Heron --from 2025-03-01 --to heron.html --redact people
    """
    from dashboard import page_data
    from dashboard.export import unfinished
    from dashboard.export_selection import selected_runs
    from dashboard.sheet import SheetOptions, as_html, as_pdf, make_sheet
    from dashboard.words import counted

    for target in to:
        if target.suffix.lower() not in ENDINGS:
            raise wrong_usage(f"{target.name} names no format: end it in {' or '.join(ENDINGS)}.")
    archive = the_archive(ctx)
    selection = chosen(
        archive, runs=runs, oven=oven, board=board, paste=paste, jar=jar, lot=lot, words=words, first=first, last=last
    )
    options = SheetOptions(
        order=order,
        supplier=supplier,
        customer=customer,
        stencil=stencil,
        finish=finish,
        decision=decision,
        released_by=released_by,
        redact=frozenset(redact or ()),
    )
    numbers = selected_runs(archive, selection)
    with progress_bar(len(numbers)) as step:
        made = make_sheet(
            page_data.current(archive_path(ctx)),
            numbers,
            options,
            chosen=selection.in_words(),
            progress=lambda done, of: step("Drawing runs", done, of),
        )
    for target in to:
        data = as_pdf(made) if target.suffix.lower() == ".pdf" else as_html(made)
        with unfinished(archive, target, replace=replace) as path:
            path.write_bytes(data)
        say(f"Wrote {target}: sheet {made.identity}, {counted(len(numbers), 'run')}, {selection.in_words()}.")


def add_to(app: typer.Typer) -> None:
    app.command("sheet")(sheet)
