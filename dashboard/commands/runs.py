"""`ovenbook runs`: what is in the archive."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.opening import the_archive
from dashboard.commands.output import Json, Refusal, local_text, print_json, records, say, table, wrong_usage

COLUMNS = (
    *("run", "started_at", "zone", "duration_s", "oven", "profile", "paste", "alloy", "jar", "board", "board_revision"),
    *("kind", "orientation", "operator", "verdict", "reason", "limiting_metric", "limiting_channel", "limiting_margin"),
    *("limiting_unit", "complete", "danger", "log_file", "sha256"),
)


def list_runs(
    ctx: typer.Context,
    oven: Annotated[str | None, typer.Option(help="Only runs of this oven.")] = None,
    board: Annotated[str | None, typer.Option(help="Only runs of this board type.")] = None,
    verdict: Annotated[
        str | None, typer.Option(help="Only this verdict: meets, fails, 'too close to call', 'not evaluated'.")
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="Only runs started on or after this date, 2025-03-14.")
    ] = None,
    last: Annotated[int | None, typer.Option(min=1, metavar="N", help="Only the newest N.")] = None,
    as_json: Json = False,
) -> None:
    """List runs, newest first, with their verdicts.

    \b
    Examples:
      ovenbook runs --last 20
      ovenbook runs --oven "Oven A" --verdict fails --since 2025-03-01 --json
    """
    from dashboard import words

    archive = the_archive(ctx)
    where, values = _conditions(archive, oven, board, verdict, since)
    limit = f" LIMIT {int(last)}" if last else ""
    frame = archive.read(
        f"SELECT {', '.join(COLUMNS)}"
        f" FROM run_overview {where} ORDER BY coalesce(started_at, received_at) DESC, run DESC{limit}",
        values,
    )
    rows = records(frame)
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No run matches." if where else "The archive holds no run yet. Store one: ovenbook import LOG.csv")
        return
    table(
        ("run", "started", "oven", "board", "verdict", "margin"),
        [
            (
                row["run"],
                local_text(row["started_at"], archive.zone),
                row["oven"] or "unknown",
                row["board"] or "unknown",
                ("STOP, " if row["danger"] else "") + words.short_verdict(row["verdict"]),
                _margin(row),
            )
            for row in rows
        ],
        right=("run",),
        whole=("run", "started", "verdict", "margin"),
    )
    say(words.SHORT_FORMS)
    zone = archive.zone.removeprefix("Etc/")
    say(f"{words.counted(len(rows), 'run')}. Times in {zone}. One in detail: ovenbook show {rows[0]['run']}")


def _margin(row: dict[str, Any]) -> str:
    from dashboard import words

    if row["limiting_metric"] is None or row["limiting_margin"] is None:
        return ""
    return words.short_margin(row["limiting_metric"], row["limiting_margin"], row["limiting_unit"])


def _conditions(
    archive: Any, oven: str | None, board: str | None, verdict: str | None, since: str | None
) -> tuple[str, list[Any]]:
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    from analysis.results import VERDICTS

    parts: list[str] = []
    values: list[Any] = []
    for column, wanted in (("oven", oven), ("board", board)):
        if wanted is not None:
            if archive.read(f"SELECT 1 FROM {column} WHERE lower(name) = lower(?)", (wanted,)).empty:
                known = archive.read(f"SELECT DISTINCT name FROM {column} ORDER BY name")["name"].tolist()
                listed = (
                    f"Known: {', '.join(known)}." if known else f"None is recorded yet: ovenbook {column} add NAME."
                )
                raise Refusal(f"No {column} '{wanted}'. {listed}")
            parts.append(f"lower({column}) = lower(?)")
            values.append(wanted)
    if verdict is not None:
        if verdict not in VERDICTS:
            raise wrong_usage(f"'{verdict}' is not a verdict. Choose one of: {', '.join(VERDICTS)}.")
        parts.append("coalesce(verdict, 'not evaluated') = ?")
        values.append(verdict)
    if since is not None:
        try:
            start = datetime.fromisoformat(since)
        except ValueError:
            raise wrong_usage(f"'{since}' is not a date. Write it as 2025-03-14.") from None
        if start.tzinfo is None:
            start = start.replace(tzinfo=ZoneInfo(archive.zone))
        parts.append("started_at >= ?")
        values.append(start.astimezone(UTC).replace(tzinfo=None))
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), values


def add_to(app: typer.Typer) -> None:
    app.command("runs")(list_runs)
