"""`ovenbook import`: logs go in, verdicts come out."""

from __future__ import annotations

import contextlib
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from dashboard.commands.opening import archive_path, the_archive, who
from dashboard.commands.output import (
    DONE,
    HELD_OR_REJECTED,
    INTERRUPTED,
    Json,
    Refusal,
    is_interrupt,
    print_json,
    progress_bar,
    say,
    trouble,
    wrong_usage,
)

if TYPE_CHECKING:
    from ingest.archive import Archive, ArchiveBusy
    from ingest.importing import ImportOptions, ImportResult

LINES_EACH = 20  # more files than this: a line only for those that need a person


class Evaluations:
    """Evaluates each run inside the transaction that stores it, and keeps what came out for the verdict to be said."""

    def __init__(self) -> None:
        self.of_run: dict[int, Any] = {}
        self.channel_names: dict[int, list[str]] = {}

    def __call__(self, con: Any, run_id: int, recording: Any) -> Any:
        from analysis.store import evaluate_and_write

        evaluation = evaluate_and_write(con, run_id, recording)
        self.of_run[run_id] = evaluation
        self.channel_names[run_id] = [channel.name for channel in recording.channels]
        return evaluation

    def many(self, con: Any, runs: Any) -> Any:
        """Several runs of one transaction at once."""
        from analysis.store import evaluate_and_write

        evaluations = evaluate_and_write.many(con, runs)
        for (run_id, recording), evaluation in zip(runs, evaluations, strict=True):
            self.of_run[run_id] = evaluation
            self.channel_names[run_id] = [channel.name for channel in recording.channels]
        return evaluations

    def summary(self, run_id: int) -> dict[str, Any] | None:
        """What the sentences of dashboard.words need, from an evaluation made in this command."""
        evaluation = self.of_run.get(run_id)
        if evaluation is None:
            return None
        names = self.channel_names[run_id]

        def name(position: int | None) -> str | None:
            return None if position is None else names[position]

        limiting = evaluation.limiting
        return {
            "run": run_id,
            "verdict": evaluation.verdict,
            "reason": evaluation.reason,
            "limiting": None
            if limiting is None
            else {
                "metric": limiting.limit.metric,
                "channel": name(limiting.channel),
                "margin": limiting.margin,
                "unit": limiting.limit.unit,
            },
            "limits": [
                {
                    "metric": result.limit.metric,
                    "low": result.limit.low,
                    "high": result.limit.high,
                    "unit": result.limit.unit,
                    "source": result.limit.source,
                    "revision": result.limit.revision,
                    "margin": result.margin,
                }
                for result in evaluation.limit_results
            ],
            "findings": [
                {
                    "code": finding.code,
                    "channel": name(finding.channel),
                    "state": finding.state,
                    "evidence": finding.evidence,
                    "danger": finding.danger,
                }
                for finding in evaluation.findings
            ],
        }


def import_(
    ctx: typer.Context,
    paths: Annotated[
        list[str],
        typer.Argument(metavar="PATH...", help="Logs, folders or patterns; - reads one log from standard input."),
    ],
    oven: Annotated[str | None, typer.Option(help="Oven the logs come from.")] = None,
    profile: Annotated[str | None, typer.Option(help="Profile the controller ran.")] = None,
    paste: Annotated[str | None, typer.Option(help="Solder paste on the boards.")] = None,
    jar: Annotated[str | None, typer.Option(help="Opened jar the paste came from.")] = None,
    board: Annotated[str | None, typer.Option(help="Board type on the rack.")] = None,
    kind: Annotated[str | None, typer.Option(help="product, reference, development or bakeout.")] = None,
    orientation: Annotated[str | None, typer.Option(help="How the board lay on the rack: 0, 90, 180 or 270.")] = None,
    load_count: Annotated[int | None, typer.Option("--boards", min=0, help="Number of boards on the rack.")] = None,
    operator: Annotated[str | None, typer.Option(help="Who ran the oven.")] = None,
    note: Annotated[str | None, typer.Option(help="A note kept with each run.")] = None,
    started_at: Annotated[
        str | None,
        typer.Option(
            "--started-at",
            metavar="TIME",
            help="Start when the log does not tell: 2025-03-14T09:30, in the archive's zone or with an offset.",
        ),
    ] = None,
    metadata: Annotated[
        str | None,
        typer.Option(
            "--metadata",
            metavar="SHEET.csv",
            help="A sheet with a row a file for logs of the past. Columns, all but the first optional: file, oven, "
            "started_at, profile, board, paste, lot, opened, kind, orientation, joints, note.",
        ),
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Read everything, list every finding, store nothing.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Store oven logs and say whether each run met its window.

    A log that cannot be read with confidence is held with a question, or rejected with a reason; nothing is stored on a
    guess. The same file twice is recognised and stored once. Another Ovenbook archive (.duckdb) is taken over whole: what
    both know differently is shown and left as it is here.

    \b
    Examples:
      ovenbook import bake-0412.csv --oven "Oven A" --paste "SAC305 (family default)"
      ovenbook import old-logs/ --metadata sheet.csv
      ovenbook import "logs/*.csv" --dry-run
    """
    if "-" in paths and len(paths) > 1:
        raise wrong_usage("'-' reads one log from standard input and cannot be mixed with files.")
    if metadata is not None and "-" in paths:
        raise wrong_usage("--metadata names files, so it needs paths, not standard input.")
    from dashboard.commands.merging import are_archives, take_over

    if are_archives(paths):
        raise typer.Exit(take_over(the_archive(ctx), paths, who(), as_json=as_json))
    from ingest.archive import ArchiveBusy
    from ingest.importing import ImportOptions

    options = ImportOptions(
        source="stdin" if paths == ["-"] else "file",
        oven=oven,
        profile=profile,
        paste=paste,
        jar=jar,
        board=board,
        kind=kind,
        orientation=orientation,
        load_count=load_count,
        operator=operator,
        note=note,
        started_at=started_at,
        dry_run=dry_run,
        who=who(),
    )
    evaluations = Evaluations()
    try:
        archive = the_archive(ctx)
    except ArchiveBusy as busy:
        if dry_run or metadata is not None:
            raise
        results = _put_off(archive_path(ctx), paths, options, busy)
    else:
        if not dry_run:
            _say_what_waited(archive)
        results = results_of(archive, paths, _named(archive, options), metadata, evaluations)
    status = show_results(
        results,
        evaluations,
        as_json=as_json,
        dry_run=dry_run,
        total=_file_count(paths),
    )
    raise typer.Exit(status)


def _file_count(paths: list[str]) -> int:
    from ingest.members import find_files

    return 1 if paths == ["-"] else sum(1 for _ in find_files(paths))


def _put_off(place: str | None, paths: list[str], options: ImportOptions, busy: ArchiveBusy) -> Iterator[ImportResult]:
    """The logs wait beside the archive that another program holds: they may be gone tomorrow, the archive is not."""
    from ingest.archive import default_path
    from ingest.importing import put_off
    from ingest.incoming import Incoming
    from ingest.later import keep_for_later

    archive = Path(place if place is not None else default_path()).expanduser().resolve()
    if paths == ["-"]:
        return keep_for_later(archive, [Incoming("stdin", "stdin", sys.stdin.buffer.read(), options)], busy)
    return put_off(archive, paths, options, busy)


def _named(archive: Archive, options: ImportOptions) -> ImportOptions:
    """A paste named in part stands for the one that begins so."""
    from dashboard.commands.reference import one_named

    return replace(options, paste=one_named(archive, "paste", options.paste)[1]) if options.paste else options


def _say_what_waited(archive: Archive) -> None:
    """Logs of an earlier command that found the archive held go in first; a line each, not among the results."""
    from dashboard import words
    from ingest.importing import drain_spool

    evaluations = Evaluations()
    for result in drain_spool(archive, evaluations):
        said = [words.import_sentence(result.to_json())]
        for summary in _fresh(result, evaluations):
            said += [*words.stop_lines(summary["findings"]), words.verdict_sentence(summary)]
        said += [notice.text for notice in result.warnings if notice.code == "options_dropped"]
        trouble(f"waited beside the archive until now: {' '.join(said)}")


def results_of(
    archive: Archive, paths: list[str], options: ImportOptions, metadata: str | None, evaluations: Evaluations
) -> Iterator[ImportResult]:
    from ingest.importing import import_bytes, import_paths

    if paths == ["-"]:
        yield from import_bytes(archive, sys.stdin.buffer.read(), "stdin", options, after_store=evaluations)
    elif metadata is not None:
        from ingest.backfill import import_with_sheet

        yield from import_with_sheet(archive, paths, metadata, options, after_store=evaluations, readers=None)
    else:
        yield from import_paths(archive, paths, options, after_store=evaluations, readers=None)


def show_results(
    results: Iterator[ImportResult],
    evaluations: Evaluations,
    *,
    as_json: bool,
    dry_run: bool = False,
    total: int = 1,
) -> int:
    """Say what became of each log; the exit status. Ctrl-C ends between two logs with what is stored so far.

    `total` files are expected: many show a progress bar with the counts so far.
    """
    from dashboard import words

    done: list[ImportResult] = []
    interrupted = False
    counts: Counter[str] = Counter()
    try:
        with progress_bar(total) if total > LINES_EACH else contextlib.nullcontext() as step:
            for result in results:
                done.append(result)
                counts[result.status] += 1
                if step is not None:
                    step(words.import_counts(counts), len(done), max(total, len(done)))
    except (Exception, KeyboardInterrupt) as problem:
        interrupted = is_interrupt(problem)
        if not interrupted:
            # What is in before the trouble is said before the trouble is.
            if done:
                _report(done, evaluations, as_json, dry_run)
            raise
    _report(done, evaluations, as_json, dry_run)
    if interrupted:
        trouble(
            f"stopped after {len(done)} logs; what is listed is stored whole. The same command again takes the rest."
        )
        return INTERRUPTED
    if not done:
        raise Refusal("no log found there. Name files, a folder or a quoted pattern: ovenbook import 'logs/*.csv'")
    return HELD_OR_REJECTED if any(result.status in ("held", "rejected") for result in done) else DONE


def say_result(result: ImportResult, evaluations: Evaluations, *, dangers: bool = True) -> None:
    """One log: danger first, then what became of it, the verdicts, the questions, the notes."""
    from dashboard import words

    if dangers:
        _say_dangers(result, evaluations)
    item = result.to_json()
    say(words.import_sentence({**item, "file": words.short_path(item["file"])}))
    for summary in _fresh(result, evaluations):
        say(f"Run {summary['run']}: {words.verdict_sentence(summary)}", bold=True, indent=2)
    for run in item["runs"]:
        if run["run"] is None:  # a dry run: what was understood
            for line in words.understood_lines(run):
                say(line, indent=2)
    for question in item["questions"]:
        say(words.question_text(question), indent=2)
    for warning in item["warnings"]:
        say(f"Note: {warning['text']}", indent=2)
    if item["questions"] and result.log is not None:
        say(f"Answer: {words.answer_command(result.log, item['questions'])}", indent=2)


def _fresh(result: ImportResult, evaluations: Evaluations) -> list[dict[str, Any]]:
    """Summaries of the runs that this command stored."""
    if result.status != "stored":
        return []
    return [summary for run in result.runs if run.run is not None and (summary := evaluations.summary(run.run))]


def _say_dangers(result: ImportResult, evaluations: Evaluations) -> None:
    from dashboard import words

    for summary in _fresh(result, evaluations):
        for line in words.stop_lines(summary["findings"]):
            say(f"Run {summary['run']}: {line}", bold=True)


def _report(done: list[ImportResult], evaluations: Evaluations, as_json: bool, dry_run: bool) -> None:
    from dashboard import words

    if as_json:
        print_json([result.to_json() for result in done])
        return
    for result in done:
        _say_dangers(result, evaluations)
    for result in done:
        if len(done) <= LINES_EACH or dry_run or result.status in ("held", "rejected"):
            say_result(result, evaluations, dangers=False)
    unjudged = [run for run, evaluation in evaluations.of_run.items() if not evaluation.limit_results]
    if unjudged:
        runs = words.ranges(unjudged)
        say(f"Without a paste there is no window to judge by. Name it: ovenbook set {runs} paste=SAC305")
    if len(done) > 1:
        counts = Counter(result.status for result in done)
        say(words.import_counts(counts) + ("; dry run, nothing was stored." if dry_run else "."))
        verdicts = Counter(evaluation.verdict for evaluation in evaluations.of_run.values())
        if verdicts:
            say("Runs: " + ", ".join(f"{n} {verdict}" for verdict, n in verdicts.most_common()) + ".")


def add_to(app: typer.Typer) -> None:
    app.command("import")(import_)
