"""Several new logs in one transaction: each statement and the commit are paid once for all of them.

Only easy logs go together: read without a question, of bytes and of a name that neither the archive nor another log of
the group has. When anything goes wrong the whole group is rolled back and the logs are stored one by one, so that every
log is still in completely or not at all; and none is answered for before the commit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from ingest.archive import Connection
from ingest.archive.gathered import Gathered, Numbers
from ingest.earlier_runs import GroupedRuns
from ingest.import_result import ImportResult, RunResult, describe_run
from ingest.layout_memory import layout_of
from ingest.profiles import Profiles
from ingest.recording import Reading, Recording


@dataclass
class Together:
    """The group under way. `after_store`: None, or one that has `many(con, [(run, recording), ...])` and returns an
    object with a `.verdict` for each: it is asked once for all runs."""

    con: Connection
    after_store: Any
    gathered: Gathered
    earlier: GroupedRuns
    runs: list[tuple[int, Recording]] = field(default_factory=list[tuple[int, Recording]])
    profiles: Profiles = field(default_factory=Profiles)
    layouts: dict[str, int] = field(default_factory=dict[str, int])

    @classmethod
    def begin(
        cls,
        con: Connection,
        after_store: Any,
        readings: Sequence[Reading | None],
        numbers: Numbers,
        received_at: datetime,
    ) -> Together:
        """A group of these logs. Their numbers are taken at once; `numbers` keeps those left over for the next group."""
        gathered = Gathered(con, numbers)
        recordings = [recording for reading in readings if reading is not None for recording in reading.recordings]
        gathered.take_numbers("log_seq", len(readings))
        gathered.take_numbers("run_seq", len(recordings))
        received = received_at.replace(tzinfo=None)
        starts = [r.started_at.replace(tzinfo=None) for r in recordings if r.started_at is not None]
        return cls(con, after_store, gathered, GroupedRuns(con, gathered, received, min([received, *starts])))

    def layout(self, reading: Reading, log_name: str) -> int | None:
        """The layout of a log read without an answer."""
        if reading.layout is None:
            return None
        fingerprint = reading.layout.fingerprint
        if fingerprint not in self.layouts:
            self.layouts[fingerprint] = layout_of(self.con, reading, log_name)
        return self.layouts[fingerprint]

    def stored(self, run_ids: Sequence[int], recordings: Sequence[Recording]) -> tuple[RunResult, ...]:
        """Runs that are stored with the group, and whose evaluation is still to come."""
        new = list(zip(run_ids, recordings, strict=True))
        self.runs += new
        return tuple(describe_run(run_id, recording, None) for run_id, recording in new)

    def finish(self, results: Sequence[ImportResult]) -> list[ImportResult]:
        """Writes what was gathered, evaluates, and completes the results with the verdicts."""
        self.gathered.write()
        if self.after_store is None:
            return list(results)
        found = self.after_store.many(self.con, self.runs)
        verdicts: dict[int | None, Any] = {
            run_id: one.verdict for (run_id, _), one in zip(self.runs, found, strict=True)
        }
        return [
            replace(result, runs=tuple(replace(run, verdict=verdicts[run.run]) for run in result.runs))
            for result in results
        ]


def easy_ones(con: Connection, names: Sequence[str], hashes: Sequence[str], readings: Sequence[Reading | None]) -> int:
    """How many of these logs, from the first on, can be stored together."""
    rows = con.execute(
        """SELECT given.name, parse_filename(given.name),
                  EXISTS (SELECT 1 FROM log WHERE parse_filename(file_name) = parse_filename(given.name))
           FROM (SELECT unnest(?::VARCHAR[]) AS name) given""",
        [list(names)],
    ).fetchall()
    short = {name: base for name, base, _ in rows}
    taken = {base for _, base, known in rows if known}
    known = {
        row[0]
        for row in con.execute(
            "SELECT sha256 FROM log WHERE sha256 IN (SELECT unnest(?::VARCHAR[]))", [list(hashes)]
        ).fetchall()
    }
    for count, (name, sha256, reading) in enumerate(zip(names, hashes, readings, strict=True)):
        is_new = sha256 and sha256 not in known and short[name] not in taken
        if not is_new or reading is None or reading.status != "read":
            return count
        known.add(sha256)
        taken.add(short[name])
    return len(names)
