"""`ovenbook layout`: how controllers lay out their logs, as remembered."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.imports import Evaluations, show_results
from dashboard.commands.opening import assignments, the_archive, who
from dashboard.commands.output import Json, print_json, say, table

group = typer.Typer(help="How controllers lay out their logs, as learned from answers.", no_args_is_help=True)


@group.command("list")
def list_layouts(ctx: typer.Context, as_json: Json = False) -> None:
    """List remembered layouts with their answers and their number of logs.

    \b
    Example:
      ovenbook layout list
    """
    from ingest.layouts import list_layouts as remembered

    rows: list[dict[str, Any]] = [
        {
            "layout": one.layout_id,
            "name": one.name,
            "origin": one.origin,
            "logs": one.logs,
            "runs": one.runs,
            "ovens": list(one.ovens),
            "answers": one.answers,
            "fingerprint": one.fingerprint,
            "decisions": one.decisions,
        }
        for one in remembered(the_archive(ctx))
    ]
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No layout is remembered yet. One is learned with the first log that is stored.")
        return
    table(
        ("name", "logs", "ovens", "answers"),
        [(row["name"], row["logs"], ", ".join(row["ovens"]) or "unknown", _answers(row["answers"])) for row in rows],
        right=("logs",),
    )


def _answers(answers: dict[str, str]) -> str:
    return ", ".join(f"{key}={value}" for key, value in answers.items()) or "none needed"


@group.command("correct")
def correct(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The layout's name.")],
    answers: Annotated[list[str], typer.Argument(metavar="QUESTION=ANSWER...", help="The answers that are to hold.")],
    as_json: Json = False,
) -> None:
    """Correct a layout; its logs are read again from their original bytes.

    \b
    Example:
      ovenbook layout correct "bench controller" unit=°C
    """
    from ingest.answering import correct_layout

    given = assignments(answers, "ovenbook layout correct 'bench controller' unit=°C")
    archive = the_archive(ctx)
    evaluations = Evaluations()
    results = correct_layout(archive, name, given, after_store=evaluations, who=who())
    raise typer.Exit(show_results(iter(results), evaluations, as_json=as_json))


@group.command("forget")
def forget(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The layout's name.")],
) -> None:
    """Forget a layout: the next log of the kind is asked about again.

    Stored runs stay as they are.

    \b
    Example:
      ovenbook layout forget "bench controller"
    """
    from ingest.layouts import forget_layout

    forgotten = forget_layout(the_archive(ctx), name)
    say(f"Layout '{forgotten.name}' is forgotten. Runs stored by it stay as they are.")


@group.command("rename")
def rename(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The layout's name.")],
    new_name: Annotated[str, typer.Argument(metavar="NEW_NAME", help="What it is to be called.")],
) -> None:
    """Call a layout by another name.

    \b
    Example:
      ovenbook layout rename "as bake-0412.csv" "bench controller"
    """
    from ingest.layouts import rename_layout

    rename_layout(the_archive(ctx), name, new_name, who())
    say(f"Layout '{name}' is now called '{new_name}'.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(group, name="layout")
