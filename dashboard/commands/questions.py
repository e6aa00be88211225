"""`ovenbook held` and `ovenbook answer`: logs that wait for an answer."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from dashboard.commands.imports import Evaluations, show_results
from dashboard.commands.opening import assignments, the_archive, who
from dashboard.commands.output import Json, local_text, print_json, records, say, wrong_usage

HEAD_LINES = 6  # enough to see the header and the first samples


def held(ctx: typer.Context, as_json: Json = False) -> None:
    """List logs that wait for an answer.

    Each comes with its questions, the likely answers and its first lines.

    \b
    Examples:
      ovenbook held
      ovenbook held --json
    """
    from dashboard import words

    archive = the_archive(ctx)
    frame = archive.read(
        "SELECT log_id AS log, file_name AS file, sha256, received_at, reason, questions, head FROM log"
        " WHERE status = 'held' ORDER BY log_id"
    )
    logs: list[dict[str, Any]] = records(frame)
    for log in logs:
        for field in ("questions", "head"):
            if isinstance(log[field], str):
                log[field] = json.loads(log[field])
    if as_json:
        print_json(logs)
        return
    if not logs:
        say("No log waits for an answer.")
        return
    for log in logs:
        say(f"Log {log['log']}: {log['file']}, received {local_text(log['received_at'], archive.zone)}", bold=True)
        for line in log["head"][:HEAD_LINES]:
            print("    | " + line[:72])
        for question in log["questions"]:
            say(words.question_text(question), indent=2)
        say(f"Answer: {words.answer_command(log['log'], log['questions'])}", indent=2)
        say()


def answer(
    ctx: typer.Context,
    log: Annotated[str, typer.Argument(metavar="LOG", help="The log's number as held lists it, or its file name.")],
    answers: Annotated[list[str], typer.Argument(metavar="QUESTION=ANSWER...", help="An answer for each question.")],
    layout: Annotated[
        str | None,
        typer.Option("--layout", metavar="NAME", help="Name for this way of laying out logs, kept for the next."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Answer the questions of a held log.

    The answers are remembered as a layout, so that the next log of the kind needs no question.

    \b
    Examples:
      ovenbook answer 7 "date_order=day first"
      ovenbook answer 7 unit=°F --layout "bench controller"
    """
    given = assignments(answers, "ovenbook answer 7 'date_order=day first'")
    if not given:
        raise wrong_usage("no answer was given. Example: ovenbook answer 7 'date_order=day first'")
    from ingest.answering import answer_log

    archive = the_archive(ctx)
    evaluations = Evaluations()
    results = answer_log(archive, log, given, layout_name=layout, after_store=evaluations, who=who())
    raise typer.Exit(show_results(iter(results), evaluations, as_json=as_json))


def add_to(app: typer.Typer) -> None:
    app.command("held")(held)
    app.command("answer")(answer)
