"""`ovenbook import OTHER.duckdb`: another archive taken over."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from dashboard.commands.output import DONE, HELD_OR_REJECTED, print_json, progress_bar, say, wrong_usage

if TYPE_CHECKING:
    from ingest.archive import Archive
    from ingest.merging import Merged

SUFFIXES = (".duckdb", ".ddb", ".db")
CONFLICTS_SHOWN = 40


def are_archives(paths: list[str]) -> bool:
    """True when these are archives, by their names: another archive is opened by DuckDB alone, never looked into."""
    archives = [path for path in paths if path.lower().endswith(SUFFIXES) and os.path.isfile(os.path.expanduser(path))]
    if archives and len(archives) < len(paths):
        raise wrong_usage("archives and logs are taken in by commands of their own: name the archives alone.")
    return bool(archives)


def take_over(archive: Archive, paths: list[str], who: str | None, *, as_json: bool) -> int:
    """Take these archives over and say what came and what both know differently; the exit status."""
    from ingest.merging import merge_archive

    done: list[Merged] = []
    with progress_bar(1) as step:
        for path in paths:
            done.append(
                merge_archive(archive, path, who=who, progress=lambda so_far, of: step("Taking logs over", so_far, of))
            )
    if as_json:
        print_json([merged.to_json() for merged in done])
    else:
        for merged in done:
            _say(merged)
    return HELD_OR_REJECTED if any(merged.conflicts for merged in done) else DONE


def _say(merged: Merged) -> None:
    from dashboard import words

    came = ", ".join(words.counted(number, what) for what, number in merged.added.items())
    say(
        f"{words.short_path(merged.file)}: {came or 'nothing new'}; {words.counted(merged.known_runs, 'run')} known already."
    )
    if merged.filled:
        say(f"{words.counted(merged.filled, 'value')} that were unknown here came with it.", indent=2)
    if merged.conflicts:
        say(f"{len(merged.conflicts)} disagree; this archive's word stands, nothing was overwritten:", indent=2)
        for conflict in merged.conflicts[:CONFLICTS_SHOWN]:
            say(str(conflict), indent=4)
        if len(merged.conflicts) > CONFLICTS_SHOWN:
            say(f"and {len(merged.conflicts) - CONFLICTS_SHOWN} more: see --json.", indent=4)
