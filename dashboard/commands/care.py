"""`ovenbook verify`, `backup`, `restore`, `rebuild`, `reevaluate`: keeping the archive sound."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.commands.opening import archive_path, run_number, the_archive, who
from dashboard.commands.output import (
    DONE,
    HELD_OR_REJECTED,
    Json,
    print_json,
    progress_bar,
    records,
    say,
    table,
    wrong_usage,
)

if TYPE_CHECKING:
    from ingest.archive import Archive

CHANGES_SHOWN = 20


def verify(ctx: typer.Context, as_json: Json = False) -> None:
    """Check the archive for damage.

    Every log's hash, every run's samples, nothing left over, the documented views.

    \b
    Example:
      ovenbook verify
    """
    from ingest.archive.verify import verify as check

    archive = the_archive(ctx)
    problems = check(archive)
    if as_json:
        print_json([{"code": problem.code, "text": problem.text} for problem in problems])
    elif problems:
        for problem in problems:
            say(f"{problem.code}: {problem.text}")
        say("Restore a backup, or make the runs again from the original logs: ovenbook rebuild")
    else:
        logs = int(archive.read("SELECT count(*) AS n FROM log")["n"].iloc[0])
        runs = int(archive.read("SELECT count(*) AS n FROM run")["n"].iloc[0])
        say(f"Sound: {logs} logs and {runs} runs checked in {archive.path}.")
    raise typer.Exit(HELD_OR_REJECTED if problems else DONE)


def backup(
    ctx: typer.Context,
    to: Annotated[Path, typer.Argument(metavar="FILE", help="Where the copy goes; must not exist yet.")],
) -> None:
    """Copy the whole archive to one file.

    Others may be using it meanwhile.

    \b
    Example:
      ovenbook backup /mnt/backup/ovenbook-2025-03-14.duckdb
    """
    from ingest.archive.care import backup as copy

    archive = the_archive(ctx)
    copied = copy(archive, to)
    say(f"Backed up to {copied}.")
    say(f"Bring it back with: ovenbook restore {to}")


def restore(
    ctx: typer.Context,
    source: Annotated[Path, typer.Argument(metavar="FILE", help="A file made by backup.")],
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FILE", help="The archive to make; must not exist. Default: the archive."),
    ] = None,
) -> None:
    """Make an archive from a backup. Never overwrites: move the old file away first.

    \b
    Example:
      ovenbook restore ovenbook-2025-03-14.duckdb --to restored.duckdb
    """
    from ingest.archive import default_path
    from ingest.archive.care import restore as bring_back

    goal = to or Path(archive_path(ctx) or default_path())
    say(f"Restored to {bring_back(source, goal)}.")


def rebuild(ctx: typer.Context) -> None:
    """Make every run again from the original logs.

    Today's reader and rules are used. What people typed is kept. A log that can no longer be read keeps its runs.

    \b
    Example:
      ovenbook rebuild
    """
    from analysis.store import evaluate_and_write
    from ingest.archive.care import rebuild as make_again
    from ingest.reading import read_log

    archive = the_archive(ctx)
    with progress_bar(1) as step:
        outcome = make_again(
            archive,
            read_log,
            evaluate_and_write,
            progress=lambda done, of: step("Reading logs again", done, of),
            who=who(),
        )
    say(f"Rebuilt from the original logs: {outcome}.")
    raise typer.Exit(HELD_OR_REJECTED if outcome.kept else DONE)


def reevaluate(
    ctx: typer.Context,
    runs: Annotated[list[str] | None, typer.Argument(metavar="RUN...", help="Run numbers; none means all.")] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say which verdicts would change; nothing is changed.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="With --dry-run: print JSON for programs.")] = False,
) -> None:
    """Judge runs again by the windows and rules of today.

    \b
    Examples:
      ovenbook reevaluate --dry-run
      ovenbook reevaluate
      ovenbook reevaluate 12 13
    """
    from analysis.store import reevaluate as judge_again
    from dashboard import words

    if as_json and not dry_run:
        raise wrong_usage("--json goes with --dry-run: what would change is listed, nothing is changed.")
    archive = the_archive(ctx)
    numbers = [run_number(archive, run) for run in runs] if runs else None
    if dry_run:
        _would_change(archive, numbers, as_json=as_json)
        return
    before = _verdicts(archive)
    with progress_bar(len(before)) as step:
        judged = judge_again(archive, numbers, progress=lambda done, of: step("Judging runs again", done, of))
    after = _verdicts(archive)
    changed = [run for run, verdict in after.items() if before.get(run) != verdict]
    say(f"{words.counted(judged, 'run')} judged again, {words.counted(len(changed), 'verdict')} changed.")
    for run in changed[:CHANGES_SHOWN]:
        say(
            f"Run {run}: {words.short_verdict(before.get(run))} before, {words.short_verdict(after[run])} now.",
            indent=2,
        )
    if len(changed) > CHANGES_SHOWN:
        say(f"and {len(changed) - CHANGES_SHOWN} more.", indent=2)


def _would_change(archive: Archive, numbers: list[int] | None, *, as_json: bool) -> None:
    from analysis.store import rejudge
    from dashboard import words

    rows = records(rejudge(archive, numbers))
    if as_json:
        print_json(rows)
        return
    if not rows:
        say("No verdict and no limiting metric would change.")
        return
    say(f"{words.counted(len(rows), 'run')} would be judged otherwise; nothing is changed yet.")
    table(
        ("run", "verdict now", "would be", "limited by"),
        [
            (
                row["run"],
                words.short_verdict(row["verdict"]),
                row["new_verdict"],
                words.metric_label(row["new_limiting_metric"]) if row["new_limiting_metric"] else row["new_reason"],
            )
            for row in rows
        ],
        right=("run",),
    )
    say("To make it so: ovenbook reevaluate" + ("" if numbers is None else f" {' '.join(map(str, numbers))}"))


def _verdicts(archive: Archive) -> dict[int, str | None]:
    frame = archive.read("SELECT run, verdict FROM run_overview ORDER BY run")
    return {int(run): verdict for run, verdict in zip(frame["run"], frame["verdict"], strict=True)}


def add_to(app: typer.Typer) -> None:
    for name, command in (
        ("verify", verify),
        ("backup", backup),
        ("restore", restore),
        ("rebuild", rebuild),
        ("reevaluate", reevaluate),
    ):
        app.command(name)(command)
