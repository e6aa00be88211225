"""Logs come in: stored with their runs, held with questions, or rejected with the reason."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import Any

from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError, DuplicateLog
from ingest.archive.fields import RunField
from ingest.archive.gathered import Gathered
from ingest.archive.log_rows import (
    LogRow,
    Status,
    find_log,
    get_log,
    held_logs,
    log_ids,
    log_of,
    logs_of_layout,
    logs_of_status,
    original_bytes,
    pack,
)
from ingest.archive.rereading import replace_runs
from ingest.archive.run_rows import complete_metadata, insert_run, notices_json
from ingest.recording import Notice, Question, Recording

# DuckDB writes the unfinished row group of a table anew at every checkpoint, and finishes it after 2048 rows: stored
# whole, a few thousand logs of 6 kB made each further one cost 30 to 110 ms, in these pieces (and without DuckDB trying
# to compress what is compressed) 3 to 8 ms.
_PIECE_BYTES = 1000

__all__ = [
    "LogEntry",
    "LogRow",
    "Status",
    "find_log",
    "get_log",
    "held_logs",
    "hold_log",
    "log_ids",
    "log_of",
    "logs_of_layout",
    "logs_of_status",
    "original_bytes",
    "reject_log",
    "replace_runs",
    "store_log",
]


@dataclass(frozen=True)
class LogEntry:
    """One log as it came in, for `store_log`, `hold_log` and `reject_log`.

    `data` the original bytes; `source` file | stdin | page | http | watch | capture | demo; `options` the metadata
    given with the import, as plain JSON values; `answers` question id -> answer. `received_at` aware, now by default.
    """

    data: bytes
    file_name: str
    source: str = "file"
    reader_version: str = ""
    reason: str | None = None
    questions: Sequence[Question] = ()
    answers: Mapping[str, str] = field(default_factory=dict[str, str])
    warnings: Sequence[Notice] = ()
    options: Mapping[str, Any] = field(default_factory=dict[str, Any])
    head: Sequence[str] = ()
    layout_id: int | None = None
    received_at: datetime | None = None
    packed: bytes | None = None
    known_sha256: str | None = None

    @cached_property
    def sha256(self) -> str:
        return self.known_sha256 or hashlib.sha256(self.data).hexdigest()


def _write_log(
    con: Connection, entry: LogEntry, status: Status, keep_bytes: bool, gathered: Gathered | None = None
) -> int:
    """The log's row and bytes; a held or rejected log with the same bytes becomes this one. Returns its number.

    With `gathered`, the log is new and its bytes are kept; its rows are left there to be written later.
    """
    values = {
        "file_name": entry.file_name,
        "source": entry.source,
        "received_at": stored(entry.received_at or utc_now()),
        "size_bytes": len(entry.data),
        "status": status,
        "reason": entry.reason,
        "questions": json.dumps(
            [{"id": q.id, "text": q.text, "choices": list(q.choices), "guess": q.guess} for q in entry.questions],
            ensure_ascii=False,
        ),
        "answers": json.dumps(dict(entry.answers), ensure_ascii=False),
        "warnings": notices_json(entry.warnings),
        "options": json.dumps(dict(entry.options), ensure_ascii=False),
        "head": json.dumps(list(entry.head), ensure_ascii=False),
        "layout_id": entry.layout_id,
        "reader_version": entry.reader_version,
    }
    sha256 = entry.sha256
    if gathered is not None:  # known to be new; the table's own key refuses it otherwise
        log_id = gathered.number("log_seq")
        gathered.add_log({"log_id": log_id, "sha256": sha256, **values})
        insert_bytes(con, log_id, entry.packed or pack(entry.data), gathered)
        return log_id
    known = con.execute("SELECT log_id, status FROM log WHERE sha256 = ?", [sha256]).fetchone()
    if known and known[1] == "stored":
        raise DuplicateLog(known[0])
    has_bytes = False
    if known:
        log_id = int(known[0])
        has_bytes = con.execute("SELECT 1 FROM log_bytes WHERE log_id = ? LIMIT 1", [log_id]).fetchone() is not None
        if keep_bytes or has_bytes:
            # The log arrived when it first came in and under its first name; an answer changes neither.
            for unchanged in ("file_name", "source", "received_at"):
                del values[unchanged]
        con.execute(
            f"UPDATE log SET {', '.join(f'{name} = ?' for name in values)} WHERE log_id = ?", [*values.values(), log_id]
        )
    else:
        log_id = Gathered(con).number("log_seq")
        con.execute(
            f"INSERT INTO log (log_id, sha256, {', '.join(values)}) VALUES (?, ?, {', '.join('?' * len(values))})",
            [log_id, sha256, *values.values()],
        )
    if keep_bytes and not has_bytes:
        insert_bytes(con, log_id, entry.packed or pack(entry.data))
    return log_id


def insert_bytes(con: Connection, log_id: int, packed: bytes, gathered: Gathered | None = None) -> None:
    """Keeps the original bytes of a log that has none, as `pack` gives them, in pieces."""
    rows = gathered or Gathered(con)
    rows.add_bytes(log_id, [packed[start : start + _PIECE_BYTES] for start in range(0, len(packed), _PIECE_BYTES)])
    if gathered is None:
        rows.write()


def store_log(
    con: Connection,
    entry: LogEntry,
    recordings: Sequence[Recording],
    metadata_per_run: Sequence[Mapping[str, RunField]] = (),
    gathered: Gathered | None = None,
) -> list[int]:
    """Bytes, runs, channels and samples of one log; returns the run numbers. Call it inside `Archive.transaction`.

    `metadata_per_run`: one mapping a recording (or none at all): field name -> RunField. Start and zone come from the
    recording unless given, the paste from the jar, placements from the oven. A log that was held becomes stored. With
    `gathered`, for a log of bytes that are not known, the rows are left there: they are in the archive only after its `write`.

    Raises DuplicateLog when the same bytes are stored already; ArchiveError when a recording cannot be stored.
    """
    if not recordings:
        raise ArchiveError("a log without a run cannot be stored: hold or reject it")
    if metadata_per_run and len(metadata_per_run) != len(recordings):
        raise ArchiveError(f"{len(metadata_per_run)} sets of metadata were given for {len(recordings)} runs")
    log_id = _write_log(con, entry, "stored", keep_bytes=True, gathered=gathered)
    numbers = gathered or Gathered(con)
    run_ids = [numbers.number("run_seq") for _ in recordings]
    for index, (run_id, recording) in enumerate(zip(run_ids, recordings, strict=True)):
        fields = complete_metadata(con, recording, metadata_per_run[index] if metadata_per_run else {})
        insert_run(con, run_id, log_id, index + 1, recording, fields, gathered)
    return run_ids


def hold_log(con: Connection, entry: LogEntry) -> int:
    """Keeps a log that waits for an answer, bytes and all; returns its number. DuplicateLog when stored already."""
    return _write_log(con, entry, "held", keep_bytes=True)


def reject_log(con: Connection, entry: LogEntry) -> int:
    """Records that a log was rejected and why; its bytes are not taken in, but those of a held log stay kept."""
    return _write_log(con, entry, "rejected", keep_bytes=False)
