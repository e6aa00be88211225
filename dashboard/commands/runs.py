"""`ovenbook runs` and `ovenbook show`: what is in the archive, and what one run says."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from dashboard.commands.opening import run_number, the_archive
from dashboard.commands.output import Json, heading, local_text, print_json, records, say, table, wrong_usage

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
    )
    say(words.SHORT_FORMS)
    say(f"{words.counted(len(rows), 'run')}. Times in {archive.zone}. One in detail: ovenbook show {rows[0]['run']}")


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
                from dashboard.commands.output import Refusal

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


def show(
    ctx: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="The run's number, or latest.")],
    as_json: Json = False,
) -> None:
    """Show one run: danger, verdict, limits, findings.

    Danger leads, then the verdict in words; then the limits, the findings, the metrics and what is recorded with the run.

    \b
    Examples:
      ovenbook show 12
      ovenbook show latest --json
    """
    from analysis.store import run_summary
    from dashboard import words

    archive = the_archive(ctx)
    summary = run_summary(archive, run_number(archive, run))
    if as_json:
        print_json(summary)
        return
    for line in words.stop_lines(summary["findings"]):
        say(line, bold=True)
    say(f"Run {summary['run']}. {words.verdict_sentence(summary)}", bold=True)
    _limits(summary)
    _findings(summary)
    _metrics(summary)
    _metadata(summary)


def _limits(summary: dict[str, Any]) -> None:
    from dashboard import words

    heading("Limits")
    if not summary["limits"]:
        say("None: no window is known for this run.", indent=2)
        return
    table(
        ("  limit", "allowed", "margin", "verdict"),
        [
            (
                "  " + words.metric_label(limit["metric"]),
                words.limit_text(limit["metric"], limit["low"], limit["high"]),
                ""
                if limit["margin"] is None
                else words.margin_text(limit["metric"], limit["margin"], limit.get("unit")),
                limit["verdict"],
            )
            for limit in summary["limits"]
        ],
    )
    for source in dict.fromkeys(words.source_text(limit["source"], limit["revision"]) for limit in summary["limits"]):
        say(f"From {source}.", indent=2)


def _findings(summary: dict[str, Any]) -> None:
    from dashboard import words

    heading("Findings")
    shown = [f for f in summary["findings"] if f["state"] != "not evaluated"]
    skipped = [f for f in summary["findings"] if f["state"] == "not evaluated"]
    if not shown:
        say("Nothing seen by the checks that could run.", indent=2)
    for finding in shown:
        say(words.finding_sentence(finding), indent=2)
        if finding.get("meaning"):
            say(finding["meaning"], indent=4)
        if finding.get("check_first"):
            say(f"Check first: {finding['check_first']}", indent=4)
    for finding in skipped:
        say(words.finding_sentence(finding), indent=2)


def _metrics(summary: dict[str, Any]) -> None:
    import json

    from dashboard import words

    heading("Metrics")
    rows = []
    for metric in summary["metrics"]:
        parameters = metric["parameters"]
        if isinstance(parameters, str):
            parameters = json.loads(parameters)
        value = words.quantity_text(metric["metric"], metric["value"], metric["uncertainty"], metric["unit"])
        remark = "" if metric["status"] == "ok" else ": ".join(filter(None, (metric["status"], metric["reason"])))
        rows.append(
            (
                "  " + words.metric_text(metric["metric"], parameters),
                metric["channel"] or "",
                "; ".join(filter(None, (value, remark))),
            )
        )
    table(("  metric", "channel", "value"), rows)


def _metadata(summary: dict[str, Any]) -> None:
    heading("Recorded with it")
    rows = []
    for name, entry in summary["metadata"].items():
        value, origin = (entry.get("value"), entry.get("origin")) if isinstance(entry, dict) else (entry, None)
        rows.append(("  " + name.replace("_", " "), "unknown" if value is None else value, origin or ""))
    table(("  what", "value", "origin"), rows)


def add_to(app: typer.Typer) -> None:
    app.command("runs")(list_runs)
    app.command("show")(show)
