"""`ovenbook layout`: the ways of laying out logs that answers have taught."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from dashboard.commands.imports import Evaluations, show_results
from dashboard.commands.opening import assignments, the_archive
from dashboard.commands.output import Json, local_text, print_json, records, say, table

group = typer.Typer(help="How controllers lay out their logs, as learned from answers.", no_args_is_help=True)


@group.command("list")
def list_layouts(ctx: typer.Context, as_json: Json = False) -> None:
    """List remembered layouts with their answers and the number of logs read by each.

    \b
    Example:
      ovenbook layout list
    """
    archive = the_archive(ctx)
    rows: list[dict[str, Any]] = records(
        archive.read(
            "SELECT y.layout_id AS layout, y.name, y.fingerprint, y.origin, y.created_at, y.decisions,"
            " count(l.log_id) AS logs FROM layout y LEFT JOIN log l USING (layout_id)"
            " WHERE y.forgotten_at IS NULL GROUP BY ALL ORDER BY y.name"
        )
    )
    for row in rows:
        if isinstance(row["decisions"], str):
            row["decisions"] = json.loads(row["decisions"])
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No layout is remembered yet. One is made when a held log is answered: ovenbook held")
        return
    table(
        ("name", "logs", "since", "answers"),
        [
            (row["name"], row["logs"], local_text(row["created_at"], archive.zone)[:10], _answers(row["decisions"]))
            for row in rows
        ],
        right=("logs",),
    )


def _answers(decisions: dict[str, Any]) -> str:
    answers = decisions.get("answers") or {}
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
    from ingest.layouts import correct_layout

    given = assignments(answers, "ovenbook layout correct 'bench controller' unit=°C")
    archive = the_archive(ctx)
    evaluations = Evaluations()
    results = correct_layout(archive, name, given, after_store=evaluations)
    raise typer.Exit(show_results(iter(results), evaluations, as_json=as_json))


@group.command("forget")
def forget(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The layout's name.")],
) -> None:
    """Forget a layout: the next log of the kind is asked about again. Stored runs stay.

    \b
    Example:
      ovenbook layout forget "bench controller"
    """
    from ingest.layouts import forget_layout

    forget_layout(the_archive(ctx), name)
    say(f"Layout '{name}' is forgotten. Runs stored by it stay as they are.")


def add_to(app: typer.Typer) -> None:
    app.add_typer(group, name="layout")
