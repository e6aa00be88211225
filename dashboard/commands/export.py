"""`ovenbook export`: views as files, original logs byte for byte, traces."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import run_numbers, the_archive
from dashboard.commands.output import Json, Refusal, print_json, records, say, table, wrong_usage

if TYPE_CHECKING:
    from dashboard.export_selection import Selection
    from dashboard.trace import Trace
    from ingest.archive import Archive

export_app = typer.Typer(
    help="""Write runs, samples, original logs or a trace to a file.

\b
Examples:
  ovenbook export runs --to runs.csv --board Heron --from 2025-03-01
  ovenbook export samples --to samples.parquet --runs 12-40
  ovenbook export all --to everything.duckdb
  ovenbook export log 12 --to original.csv
  ovenbook export trace --serial 0412
""",
    no_args_is_help=True,
    rich_markup_mode=None,
)

To = Annotated[Path, typer.Option("--to", metavar="FILE", help="The file to write; .csv, .parquet or .duckdb.")]
Replace = Annotated[bool, typer.Option("--replace", help="Write over a file that is there already.")]
Runs = Annotated[str | None, typer.Option("--runs", metavar="N,N-M", help="Only these runs: 12, 2-6, 2-6,9.")]
Oven = Annotated[str | None, typer.Option(help="Only runs of this oven.")]
Board = Annotated[str | None, typer.Option(help="Only runs of this board type.")]
Paste = Annotated[str | None, typer.Option(help="Only runs with this paste.")]
Jar = Annotated[str | None, typer.Option(help="Only runs from this jar.")]
Lot = Annotated[str | None, typer.Option(help="Only runs from this paste lot.")]
Words = Annotated[
    str | None, typer.Option(help="Only runs with this in file name, note, operator or serials: an order number, say.")
]
From = Annotated[str | None, typer.Option("--from", metavar="DATE", help="Only runs from this day on, 2025-03-14.")]
Until = Annotated[str | None, typer.Option("--until", metavar="DATE", help="Only runs up to this day, included.")]


def chosen(
    archive: Archive,
    *,
    runs: str | None = None,
    first: str | None = None,
    last: str | None = None,
    **named: str | None,
) -> Selection:
    """The selection behind the options; a name that nothing bears is refused rather than giving an empty file."""
    from dashboard.export_selection import Selection

    for column in ("oven", "board", "paste", "jar", "lot"):
        wanted = named.get(column)
        if (
            wanted is not None
            and archive.read(f"SELECT 1 FROM run_overview WHERE lower({column}) = lower(?) LIMIT 1", (wanted,)).empty
        ):
            known = archive.read(
                f"SELECT DISTINCT {column} AS name FROM run_overview WHERE {column} IS NOT NULL ORDER BY 1 LIMIT 12"
            )["name"].tolist()
            listed = f"Recorded: {', '.join(map(str, known))}." if known else f"No run has a {column} recorded."
            raise Refusal(f"No run with the {column} '{wanted}'. {listed}")
    return Selection(
        runs=None if runs is None else tuple(run_numbers(archive, runs)),
        first_day=_day(first),
        last_day=_day(last),
        **named,
    )


def _day(text: str | None) -> Any:
    from datetime import date

    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise wrong_usage(f"'{text}' is not a date. Write it as 2025-03-14.") from None


def _command(what: str, row: str) -> None:
    def write(
        ctx: typer.Context,
        to: To,
        runs: Runs = None,
        oven: Oven = None,
        board: Board = None,
        paste: Paste = None,
        jar: Jar = None,
        lot: Lot = None,
        words: Words = None,
        first: From = None,
        last: Until = None,
        replace: Replace = False,
    ) -> None:
        from dashboard.export import export
        from dashboard.words import counted

        archive = the_archive(ctx)
        selection = chosen(
            archive,
            runs=runs,
            oven=oven,
            board=board,
            paste=paste,
            jar=jar,
            lot=lot,
            words=words,
            first=first,
            last=last,
        )
        done = export(archive, what, to, selection, replace=replace)
        rows = ", ".join(f"{name}: {n}" for name, n in done.rows.items())
        said = counted(next(iter(done.rows.values())), "row") if len(done.rows) == 1 else f"rows of {rows}"
        say(f"Wrote {to} ({said}; {selection.in_words()}).")

    ending = "duckdb" if what == "all" else "csv"
    write.__doc__ = (
        f"Write {'every view, one DuckDB file with a table for each' if what == 'all' else f'{what}, one row {row}'}.\n\n"
        f"\b\nExample:\n  ovenbook export {what} --to {what}.{ending} --from 2025-03-01\n"
    )
    export_app.command(what)(write)


ROWS = {
    "runs": "a run",
    "channels": "a channel of a run",
    "samples": "a sample",
    "metrics": "a measured number",
    "findings": "for what a channel check saw",
    "defects": "a defect or clean inspection",
    "events": "an event on an oven",
    "all": "",
}
for _what, _row in ROWS.items():
    _command(_what, _row)


@export_app.command("log")
def export_log(
    ctx: typer.Context,
    run: Annotated[str, typer.Argument(metavar="RUN", help="A run of the log; its number, or latest.")],
    to: Annotated[
        str | None,
        typer.Option("--to", metavar="FILE", help="Default: the log's own name, here. - is standard output."),
    ] = None,
    replace: Replace = False,
) -> None:
    """Write the original log of a run, byte for byte.

    \b
    Examples:
      ovenbook export log 12 --to original.csv
      ovenbook export log latest --to - | sha256sum
    """
    from dashboard.commands.opening import run_number
    from dashboard.export import export_log as write_log
    from dashboard.export import log_bytes

    archive = the_archive(ctx)
    number = run_number(archive, run)
    row = archive.read(
        "SELECT log_id, file_name, sha256 FROM run JOIN log USING (log_id) WHERE run_id = ?", (number,)
    ).iloc[0]
    if to == "-":
        sys.stdout.buffer.write(log_bytes(archive, int(row["log_id"])))
        return
    target = Path(to) if to is not None else Path(Path(str(row["file_name"]).replace("\\", "/")).name or "log")
    size = write_log(archive, int(row["log_id"]), target, replace=replace)
    say(f"Wrote {target}: {size} bytes as they came in. SHA-256 {row['sha256']}")


@export_app.command("trace")
def export_trace(
    ctx: typer.Context,
    serial: Annotated[str | None, typer.Option(help="A board's serial: the runs it was in.")] = None,
    jar: Annotated[str | None, typer.Option(help="A paste jar: all boards baked from it.")] = None,
    lot: Annotated[str | None, typer.Option(help="A paste lot: all boards baked from its jars.")] = None,
    event: Annotated[
        int | None, typer.Option(help="An event's number: boards from it to the next of its kind on that oven.")
    ] = None,
    oven: Annotated[str | None, typer.Option(help="An oven: all boards, between --from and --until.")] = None,
    first: From = None,
    last: Until = None,
    to: Annotated[Path | None, typer.Option("--to", metavar="FILE.csv", help="Write it as CSV.")] = None,
    replace: Replace = False,
    as_json: Json = False,
) -> None:
    """Trace a serial to what was used, or a jar, lot, event or oven to its boards.

    \b
    Examples:
      ovenbook export trace --serial 0412
      ovenbook export trace --lot L-2231 --to lot.csv
      ovenbook export trace --oven "Oven A" --from 2025-03-10 --until 2025-03-16 --json
    """
    from dashboard.trace import trace_event, trace_selection, trace_serial

    asked = [
        name for name, value in (("serial", serial), ("jar", jar), ("lot", lot), ("event", event)) if value is not None
    ]
    if len(asked) > 1 or not (asked or oven):
        raise wrong_usage(
            "Name one thing to trace: --serial, --jar, --lot, --event, or --oven with --from and --until."
        )
    archive = the_archive(ctx)
    if serial is not None:
        trace = trace_serial(archive, serial)
    elif event is not None:
        trace = trace_event(archive, event)
    else:
        trace = trace_selection(archive, chosen(archive, jar=jar, lot=lot, oven=oven, first=first, last=last))
    if to is not None:
        _write(archive, trace, to, replace)
    elif as_json:
        print_json(
            {
                "asked": trace.asked,
                "runs": records(trace.runs),
                "boards": records(trace.boards),
                "events": records(trace.events),
                "gaps": list(trace.gaps),
            }
        )
    else:
        _tell(trace, archive.zone)


def _write(archive: Archive, trace: Trace, to: Path, replace: bool) -> None:
    from dashboard.export import unfinished
    from dashboard.export_cells import csv_bytes
    from dashboard.trace import as_table
    from dashboard.words import counted

    rows = as_table(trace)
    with unfinished(archive, to, replace=replace) as path:
        path.write_bytes(csv_bytes(rows))
    say(f"Wrote {to}: {trace.asked}, {counted(len(rows), 'row')}.")


def _tell(trace: Trace, zone: str) -> None:
    from dashboard.commands.output import local_text
    from dashboard.words import counted

    say(f"{trace.asked[0].upper()}{trace.asked[1:]}: {counted(len(trace.runs), 'run')}.", bold=True)
    rows = records(trace.runs)
    if rows:
        table(
            ("run", "started", "serials", "board", "jar", "lot", "oven", "firmware", "verdict"),
            [
                (
                    row["run"],
                    local_text(row["started_at"], zone),
                    row["serials"] or "not recorded",
                    row["board"] or "unknown",
                    row["jar"] or "unknown",
                    row["lot"] or "unknown",
                    row["oven"] or "unknown",
                    row["firmware"] or "unknown",
                    row["verdict"] or "not evaluated",
                )
                for row in rows
            ],
            whole=("run", "started"),
        )
    events = {row["event"]: row for row in records(trace.events)}
    if events:
        say("Events on the ovens, the last of each kind before a run and the first after:")
        table(
            ("event", "oven", "kind", "happened", "note"),
            [
                (e["event"], e["oven"], e["kind"], local_text(e["happened_at"], zone), e["note"] or "")
                for e in events.values()
            ],
            indent=2,
        )
    for gap in trace.gaps:
        say(gap)


def add_to(app: typer.Typer) -> None:
    app.add_typer(export_app, name="export")
