"""A log read again from its original bytes: its runs get new samples, and keep their numbers and what people said."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from ingest.archive.changes import record_change
from ingest.archive.clock import utc_now
from ingest.archive.connection import Connection
from ingest.archive.derived import clear_evaluations
from ingest.archive.errors import ArchiveError
from ingest.archive.fields import COLUMNS, RunField, checked, may_replace, named
from ingest.archive.log_rows import get_log
from ingest.archive.packing import delete_samples
from ingest.archive.run_rows import (
    complete_metadata,
    insert_channels,
    insert_origins,
    insert_run,
    milliseconds,
    new_run_ids,
    notices_json,
    placements_of_oven,
    shape_of,
)
from ingest.archive.runs import run_fields
from ingest.recording import Notice, Recording


def replace_runs(
    con: Connection,
    log_id: int,
    recordings: Sequence[Recording],
    metadata_per_run: Sequence[Mapping[str, RunField]] = (),
    *,
    reader_version: str,
    answers: Mapping[str, str] | None = None,
    warnings: Sequence[Notice] | None = None,
    layout_id: int | None = None,
    who: str | None = None,
    why: str | None = None,
) -> list[int]:
    """Puts these recordings in the place of a stored log's runs; returns the run numbers. Call it in a transaction.

    Part k keeps its run number, its inspections, its sensor placements (by channel name) and every metadata value that
    ranks above the new one; a value the new reading does not bring stays. Values that change are recorded. Start and
    zone follow the log unless they were typed. What was derived is removed and must be evaluated anew. `answers`,
    `warnings`, `layout_id` None: as they were.

    Raises ArchiveError, and nothing is changed, when the log is not stored, there is no recording, or a part that is no
    longer there carries an inspection or something a person typed.
    """
    log = get_log(con, log_id)
    if log.status != "stored":
        raise ArchiveError(f"log {log_id} is {log.status}, not stored: nothing to replace")
    if not recordings:
        raise ArchiveError(f"log {log_id} gives no run any more: its runs were kept as they are")
    if metadata_per_run and len(metadata_per_run) != len(recordings):
        raise ArchiveError(f"{len(metadata_per_run)} sets of metadata were given for {len(recordings)} runs")
    for run_id in log.runs[len(recordings) :]:
        _remove(con, run_id, log_id, who, why)
    kept = log.runs[: len(recordings)]
    run_ids = [*kept, *new_run_ids(con, len(recordings) - len(kept))]
    clear_evaluations(con, kept)
    for index, (run_id, recording) in enumerate(zip(run_ids, recordings, strict=True)):
        given = metadata_per_run[index] if metadata_per_run else {}
        if index < len(kept):
            _replace(con, run_id, recording, given, who, why)
        else:
            given = given or _carried(con, kept)
            insert_run(con, run_id, log_id, index + 1, recording, complete_metadata(con, recording, given))
    con.execute(
        "UPDATE log SET reader_version = ?, answers = ?, warnings = ?, layout_id = ? WHERE log_id = ?",
        [
            reader_version,
            json.dumps(dict(log.answers if answers is None else answers), ensure_ascii=False),
            notices_json(log.warnings if warnings is None else warnings),
            log.layout_id if layout_id is None else layout_id,
            log_id,
        ],
    )
    return run_ids


def confirm_runs(con: Connection, log_id: int, reader_version: str) -> None:
    """Says that a reader of this version makes the same runs of the log as are stored."""
    con.execute("UPDATE log SET reader_version = ? WHERE log_id = ?", [reader_version, log_id])


# What holds for the whole log, and so for a part of it that shows up only when it is read again.
_OF_THE_LOG = ("oven", "paste", "jar", "board", "kind", "orientation", "load_count", "operator", "firmware")


def _carried(con: Connection, kept: Sequence[int]) -> dict[str, RunField]:
    """Metadata for a new part, from the first run of the same log."""
    if not kept:
        return {}
    first = run_fields(con, kept[0])
    return {name: RunField(first[name].value, "carried over") for name in _OF_THE_LOG if name in first}


def _remove(con: Connection, run_id: int, log_id: int, who: str | None, why: str | None) -> None:
    """Removes a run that the log no longer gives. Nothing a person said is removed: refused then."""
    inspected = con.execute("SELECT 1 FROM inspection WHERE run_id = ? LIMIT 1", [run_id]).fetchone()
    tried = con.execute("SELECT 1 FROM trial_run WHERE run_id = ? LIMIT 1", [run_id]).fetchone()
    chosen = con.execute("SELECT 1 FROM comparison_choice WHERE run_id = ? LIMIT 1", [run_id]).fetchone()
    typed = con.execute(
        "SELECT string_agg(field, ', ') FROM run_origin WHERE run_id = ? AND origin = 'typed'", [run_id]
    ).fetchone()
    if inspected or tried or chosen or (typed and typed[0]):
        what = (
            "an inspection"
            if inspected
            else "a place in a trial"
            if tried
            else "a choice about its comparison"
            if chosen
            else f"typed values ({typed[0] if typed else ''})"
        )
        raise ArchiveError(
            f"log {log_id} no longer gives run {run_id}, which has {what}: its runs were kept as they are"
        )
    clear_evaluations(con, [run_id])
    delete_samples(con, run_id)
    for table in ("channel", "run_origin", "run"):
        con.execute(f"DELETE FROM {table} WHERE run_id = ?", [run_id])
    record_change(con, "run", run_id, "removed", f"log {log_id}", None, who, why)


def _replace(
    con: Connection,
    run_id: int,
    recording: Recording,
    given: Mapping[str, RunField],
    who: str | None,
    why: str | None,
) -> None:
    ms = milliseconds(recording)
    known = run_fields(con, run_id)
    fields = _to_set(con, recording, given, known)
    con.execute(
        """UPDATE run SET duration_s = ?, sample_interval_s = ?, sample_count = ?, first_line = ?, last_line = ?,
           notices = ? WHERE run_id = ?""",
        [*shape_of(recording, ms), run_id],
    )
    for name, item in fields.items():
        old = checked(name, known[name].value) if name in known else None
        if item.value != old:
            con.execute(f"UPDATE run SET {COLUMNS[name]} = ? WHERE run_id = ?", [item.value, run_id])
            record_change(con, "run", run_id, name, old, item.value, who, why)
    insert_origins(con, run_id, fields, utc_now(), replace=True)
    oven = fields.get("oven") or known.get("oven")
    places = placements_of_oven(con, oven.value if oven else None) | _placements(con, run_id)
    delete_samples(con, run_id)
    con.execute("DELETE FROM channel WHERE run_id = ?", [run_id])
    insert_channels(con, run_id, recording, ms, places)


def _to_set(
    con: Connection, recording: Recording, given: Mapping[str, RunField], known: Mapping[str, RunField]
) -> dict[str, RunField]:
    """The values that replace what is known: those of the new reading that rank high enough and differ in anything."""
    stays = {name: item for name, item in known.items() if name not in named(given)}
    # The log's own start and zone always come from the log; everything else that is known takes part in what follows.
    base = {name: item for name, item in stays.items() if name not in ("started_at", "zone")}
    fields = complete_metadata(con, recording, {**base, **given})
    out: dict[str, RunField] = {}
    for name, item in fields.items():
        old = known.get(name)
        if old is None:
            out[name] = item
        elif may_replace(item.origin, old.origin):
            same = checked(name, old.value) == item.value and old.origin == item.origin
            if not same:
                out[name] = RunField(item.value, item.origin, item.who)
    return out


def _placements(con: Connection, run_id: int) -> dict[str, dict[str, str | None]]:
    rows = con.execute(
        "SELECT name, placement, attachment FROM channel WHERE run_id = ? AND (placement IS NOT NULL OR attachment IS NOT NULL)",
        [run_id],
    ).fetchall()
    return {name: {"place": place, "attachment": attachment} for name, place, attachment in rows}
