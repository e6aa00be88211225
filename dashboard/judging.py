"""Bringing verdicts up to date after a value they rest on was corrected, or after an upgrade, and saying what that did."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest.archive import Archive


@dataclass(frozen=True)
class Judged:
    """How many runs were judged again, and whose verdict is another one now: run -> (before, after)."""

    runs: int
    changed: dict[int, tuple[str | None, str | None]]

    def sentence(self) -> str:
        """What was done, in one line; empty when nothing was out of date."""
        from dashboard import words

        if not self.runs:
            return ""
        done = f"{words.counted(self.runs, 'run')} judged again, by the windows they were judged by before"
        if not self.changed:
            return f"{done}; no verdict changed."
        listed = ", ".join(
            f"run {run} {words.short_verdict(before)} before, {words.short_verdict(after)} now"
            for run, (before, after) in list(self.changed.items())[:3]
        )
        more = f" and {len(self.changed) - 3} more" if len(self.changed) > 3 else ""
        return f"{done}; {words.counted(len(self.changed), 'verdict')} changed: {listed}{more}."


def out_of_date(archive: Archive) -> int:
    """Runs judged by earlier rules, or by values that have changed since."""
    from analysis.evaluate import RULES_VERSION
    from ingest.archive.derived import stale_runs

    with archive.connect() as con:
        return len(stale_runs(con, RULES_VERSION))


def bring_up_to_date(archive: Archive, progress: Callable[[int, int], None] | None = None) -> Judged:
    """Judge again what is out of date, each run by the windows it was judged by (analysis.store.refresh)."""
    from analysis.store import refresh

    if not out_of_date(archive):
        return Judged(0, {})
    before = _verdicts(archive)
    done = refresh(archive, progress=progress)
    after = _verdicts(archive)
    return Judged(done, {run: (before.get(run), now) for run, now in after.items() if before.get(run) != now})


def _verdicts(archive: Archive) -> dict[int, str | None]:
    frame = archive.read("SELECT run_id, verdict FROM evaluation ORDER BY run_id")
    return {int(run): verdict for run, verdict in zip(frame["run_id"], frame["verdict"], strict=True)}
