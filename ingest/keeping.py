"""One log that has been read goes into the archive: stored, held with its questions, or rejected with the reason."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from ingest.archive import Connection
from ingest.archive.fields import RunField
from ingest.archive.growth import extend_log, log_it_continues
from ingest.archive.log_rows import LogRow, get_log
from ingest.archive.logs import LogEntry, hold_log, reject_log, store_log
from ingest.archive.rereading import replace_runs
from ingest.archive.runs import load_recordings
from ingest.import_result import ImportOptions, ImportResult, RunResult, describe_run
from ingest.incoming import Incoming
from ingest.known_names import Given
from ingest.layout_memory import learn
from ingest.metadata import may_be_cold, resolve, seen_in_log
from ingest.oven_changes import kind_of_key, note_changes
from ingest.reading import READER_VERSION
from ingest.recording import Notice, Reading, Recording
from ingest.together import Together
from ingest.understanding import Prepared

SAME_MINUTE_S = 60.0  # starts written down by hand are to the minute

AfterStore = Callable[[Connection, int, Recording], Any]


@dataclass(frozen=True)
class Existing:
    """What the archive knows of the same bytes."""

    log_id: int
    status: str
    answers: dict[str, str]
    options: dict[str, Any]


def existing_logs(con: Connection, hashes: Sequence[str]) -> dict[str, Existing]:
    """Logs with these SHA-256, by hash, whatever became of them."""
    rows = con.execute(
        "SELECT sha256, log_id, status, answers, options FROM log WHERE sha256 IN (SELECT unnest(?::VARCHAR[]))",
        [list(hashes)],
    ).fetchall()
    return {
        sha256: Existing(log_id, status, json.loads(answers), json.loads(options))
        for sha256, log_id, status, answers, options in rows
    }


def existing_log(con: Connection, log_id: int) -> Existing:
    """What the archive knows of one of its logs."""
    row = get_log(con, log_id)
    return Existing(row.log_id, row.status, row.answers, row.options)


def known_result(con: Connection, log: Incoming, sha256: str, existing: Existing) -> ImportResult:
    """The answer for bytes that are stored already."""
    runs = stored_runs(con, existing.log_id)
    numbers = ", ".join(str(r.run) for r in runs)
    reason = f"already stored as run{'s' if len(runs) > 1 else ''} {numbers}"
    return ImportResult(log.file, sha256, "duplicate", reason, runs=runs, log=existing.log_id)


def stored_runs(con: Connection, log_id: int) -> tuple[RunResult, ...]:
    """The runs of a stored log, as an import says them."""
    verdicts = dict(
        con.execute(
            "SELECT run_id, verdict FROM run LEFT JOIN evaluation USING (run_id) WHERE log_id = ? ORDER BY part",
            [log_id],
        ).fetchall()
    )
    recordings = dict(load_recordings(con, list(verdicts)))
    return tuple(describe_run(run_id, recordings[run_id], verdict) for run_id, verdict in verdicts.items())


def keep(
    con: Connection | None,
    log: Incoming,
    sha256: str,
    reading: Reading,
    given: Given,
    received_at: datetime,
    *,
    alone: bool = True,
    after_store: AfterStore | None = None,
    layout_name: str | None = None,
    together: Together | None = None,
    prepared: Prepared | None = None,
) -> ImportResult:
    """Store, hold or reject one log, inside the caller's transaction. `con` None: a dry run, nothing is kept.

    `alone` False: the log came among others, so one of unknown start takes nothing over from earlier runs. `together`:
    the group that this log, an easy one, is stored with; its runs are evaluated with the group. `prepared`: what was
    worked out with the reading.
    """
    result = ImportResult(
        log.file, sha256, "rejected", reading.reason, reading.questions, reading.notices, reading=reading
    )
    if reading.status == "read":
        recordings, notices = start_as_given(reading.recordings, given, log.options)
        said = [*reading.notices, *(n for r in recordings for n in r.notices), *notices]
        if con is not None:
            keeping = _Keeping(
                con, log, reading, recordings, said, given, received_at, alone, after_store, together, prepared
            )
            return keeping.store(result, layout_name)
        runs = tuple(describe_run(None, recording, None) for recording in recordings)
        return replace(result, status="stored", reason="dry run: nothing was stored", warnings=tuple(said), runs=runs)
    if reading.status == "held" and reading.reason is None:
        reading = replace(reading, reason="it must be asked: " + " ".join(q.text for q in reading.questions))
        result = replace(result, reason=reading.reason)
    if con is None:
        return replace(result, status=reading.status)
    entry = _entry(log, reading, received_at, reading.notices, None)
    if reading.status == "held":
        earlier = log_it_continues(con, log.name, log.data)
        if earlier is not None and get_log(con, earlier).status == "held":
            extend_log(con, earlier, log.data, log.options.who)
        return replace(result, status="held", log=hold_log(con, entry))
    return replace(result, log=reject_log(con, entry))


@dataclass
class _Keeping:
    """One read log on its way into the archive, inside a transaction. `said` gathers its warnings."""

    con: Connection
    log: Incoming
    reading: Reading
    recordings: Sequence[Recording]
    said: list[Notice]
    given: Given
    received_at: datetime
    alone: bool
    after_store: AfterStore | None
    together: Together | None
    prepared: Prepared | None

    def store(self, result: ImportResult, layout_name: str | None) -> ImportResult:
        """As a new log, or in the place of the shorter one that it continues."""
        options, layout_id = self.log.options, None
        if self.together is not None and not options.answers:
            layout_id = self.together.layout(self.reading, self.log.name)
        elif self.reading.layout is not None:
            layout_id = learn(self.con, self.reading, self.log.name, options.answers, layout_name, options.who)
        new_name = self.together is not None
        earlier_id = None if new_name else log_it_continues(self.con, self.log.name, self.log.data)
        earlier = get_log(self.con, earlier_id) if earlier_id is not None else None
        if earlier is not None and earlier.status == "stored" and len(earlier.runs) <= len(self.recordings):
            return self._grown(result, earlier, layout_id)
        if earlier is not None and earlier.status == "held":
            extend_log(self.con, earlier.log_id, self.log.data, options.who)
        metadata = self._metadata(layout_id, known=0)
        entry = _entry(self.log, self.reading, self.received_at, self.said, layout_id)
        if self.prepared is not None:
            entry = replace(entry, packed=self.prepared.packed, known_sha256=result.sha256)
        done = replace(result, status="stored", reason=None, warnings=tuple(self.said))
        if self.together is not None:
            run_ids = store_log(self.con, entry, self.recordings, metadata, self.together.gathered)
            runs = self.together.stored(run_ids, self.recordings)
            # Without what was read: an import of thousands of logs would keep all of it in memory.
            return replace(done, reading=None, runs=runs, log=self.together.gathered.last_log)
        run_ids = store_log(self.con, entry, self.recordings, metadata)
        row = self.con.execute("SELECT log_id FROM run WHERE run_id = ?", [run_ids[0]]).fetchone()
        return replace(done, runs=self._evaluated(run_ids), log=row[0] if row else None)

    def _grown(self, result: ImportResult, earlier: LogRow, layout_id: int | None) -> ImportResult:
        extend_log(self.con, earlier.log_id, self.log.data, self.log.options.who)
        metadata = self._metadata(layout_id, known=len(earlier.runs))
        numbers = ", ".join(map(str, earlier.runs))
        added = len(self.recordings) - len(earlier.runs)
        text = (
            f"the file goes on where log {earlier.log_id} ended (run {numbers}): it took its place, {added} more runs"
        )
        self.said.append(Notice("log_grown", text))
        run_ids = replace_runs(
            self.con,
            earlier.log_id,
            self.recordings,
            metadata,
            reader_version=READER_VERSION,
            answers={**earlier.answers, **self.log.options.answers},
            warnings=self.said,
            layout_id=layout_id,
            who=self.log.options.who,
            why="the file was longer when it came again",
        )
        runs = self._evaluated(run_ids)
        return replace(result, status="stored", reason=None, warnings=tuple(self.said), runs=runs, log=earlier.log_id)

    def _metadata(self, layout_id: int | None, known: int) -> list[dict[str, RunField]]:
        """Fields of each recording; of the first `known` ones, stored already, only what the log itself tells."""
        out: list[dict[str, RunField]] = []
        received = self.received_at.replace(tzinfo=None)
        overrides = any(notice.code == "start_given" for notice in self.said)
        together = self.together
        for part, recording in enumerate(self.recordings):
            was_cold = may_be_cold(self.recordings, part)
            if part < known:
                out.append(seen_in_log(self.con, recording, self.reading.metadata, was_cold).fields)
                continue
            has_place = recording.started_at is not None or self.alone
            found = resolve(
                self.con,
                recording,
                self.reading.metadata,
                self.log.options,
                self.given,
                layout_id=layout_id,
                received_at=received,
                carry_over=self.log.options.carry and has_place,
                was_cold=was_cold,
                profiles=together.profiles if together is not None else None,
                runs=together.earlier if together is not None else None,
                set_points=self.prepared.set_points[part] if self.prepared is not None else None,
            )
            if overrides and "started_at" in found.fields:  # stands above the log's own when it is read again
                for name in ("started_at", "zone"):
                    found.fields[name] = replace(found.fields[name], origin="typed")
            oven_id = found.value("oven")
            if part == 0 and oven_id is not None and has_place:
                start = recording.started_at
                at = start.replace(tzinfo=None) if start else received
                if together is not None and any(kind_of_key(key) for key in self.reading.metadata):
                    together.earlier.written()
                self.said += note_changes(self.con, oven_id, at, start is not None, self.reading.metadata)
            self.said += [notice for notice in found.notices if notice not in self.said]
            out.append(found.fields)
        return out

    def _evaluated(self, run_ids: Sequence[int]) -> tuple[RunResult, ...]:
        runs: list[RunResult] = []
        for run_id, recording in zip(run_ids, self.recordings, strict=True):
            evaluation = self.after_store(self.con, run_id, recording) if self.after_store is not None else None
            runs.append(describe_run(run_id, recording, evaluation.verdict if evaluation is not None else None))
        return tuple(runs)


def start_as_given(
    recordings: Sequence[Recording], given: Given, options: ImportOptions
) -> tuple[tuple[Recording, ...], tuple[Notice, ...]]:
    """Recordings with the start that the import gave. Later runs of the log keep their distance if the log tells it.

    One within a minute of the log's own is the same start, written down by hand: the log's is kept. A start that was
    only derived (the computer's clock beside a serial port) fills in where the log tells none.
    """
    if given.started_at is None or not recordings:
        return tuple(recordings), ()
    first = recordings[0].started_at
    if first is not None and options.started_at_origin == "derived":
        return tuple(recordings), ()
    if first is not None and abs((given.started_at - first).total_seconds()) < SAME_MINUTE_S:
        return tuple(recordings), ()
    out = [replace(recordings[0], started_at=given.started_at, zone=given.zone)]
    for later in recordings[1:]:
        if first is not None and later.started_at is not None:
            later = replace(later, started_at=given.started_at + (later.started_at - first), zone=given.zone)
        out.append(later)
    if first is None:
        return tuple(out), ()
    said = f"the start given replaces {first.isoformat(timespec='seconds')}, which the log says"
    return tuple(out), (Notice("start_given", said),)


def _entry(
    log: Incoming, reading: Reading, received_at: datetime, notices: Sequence[Notice], layout_id: int | None
) -> LogEntry:
    options = log.options.to_json()
    if reading.metadata:
        options["preamble"] = dict(reading.metadata)
    return LogEntry(
        data=log.data,
        file_name=log.name,
        source=log.options.source,
        reader_version=READER_VERSION,
        reason=reading.reason,
        questions=reading.questions,
        answers=log.options.answers,
        warnings=tuple(notices),
        options=options,
        head=reading.head,
        layout_id=layout_id,
        received_at=received_at,
    )
