"""Logs: the original bytes and what became of them."""

from __future__ import annotations

import gzip
import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from ingest.archive.clock import aware, stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError, DuplicateLog
from ingest.archive.fields import RunField
from ingest.archive.run_rows import complete_metadata, insert_run, notices_json
from ingest.recording import Notice, Question, Recording

# Level 6: level 9 saves 1 % on such logs and takes three times as long.
_GZIP_LEVEL = 6

Status = Literal["stored", "held", "rejected"]


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

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class LogRow:
    """One log as the archive knows it. `runs`: run numbers in the order of the parts. Times aware UTC."""

    log_id: int
    sha256: str
    file_name: str
    source: str
    received_at: datetime
    size_bytes: int
    status: Status
    reason: str | None
    questions: tuple[Question, ...]
    answers: dict[str, str]
    warnings: tuple[Notice, ...]
    options: dict[str, Any]
    head: tuple[str, ...]
    layout_id: int | None
    reader_version: str
    runs: tuple[int, ...]


_COLUMNS = (
    "log_id, sha256, file_name, source, received_at, size_bytes, status, reason, questions, answers, warnings, "
    "options, head, layout_id, reader_version"
)
_SELECT = f"""SELECT {_COLUMNS},
    (SELECT list(run_id ORDER BY part) FROM run WHERE run.log_id = log.log_id) FROM log"""


def _log_row(row: tuple[Any, ...]) -> LogRow:
    return LogRow(
        log_id=row[0],
        sha256=row[1],
        file_name=row[2],
        source=row[3],
        received_at=aware(row[4]) or utc_now(),
        size_bytes=row[5],
        status=row[6],
        reason=row[7],
        questions=tuple(
            Question(q["id"], q["text"], tuple(q.get("choices") or ()), q.get("guess")) for q in json.loads(row[8])
        ),
        answers=json.loads(row[9]),
        warnings=tuple(Notice(w["code"], w["text"]) for w in json.loads(row[10])),
        options=json.loads(row[11]),
        head=tuple(json.loads(row[12])),
        layout_id=row[13],
        reader_version=row[14],
        runs=tuple(row[15] or ()),
    )


def find_log(con: Connection, sha256: str) -> LogRow | None:
    """The log with these bytes, whatever its status, or None."""
    row = con.execute(f"{_SELECT} WHERE sha256 = ?", [sha256]).fetchone()
    return _log_row(row) if row else None


def get_log(con: Connection, log_id: int) -> LogRow:
    """The log of this number. ArchiveError when there is none."""
    row = con.execute(f"{_SELECT} WHERE log_id = ?", [log_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no log {log_id}")
    return _log_row(row)


def log_of(con: Connection, reference: str | int) -> LogRow:
    """The log a person means: its number, the first eight or more digits of its hash, or its file name.

    ArchiveError when none or several fit.
    """
    text = str(reference).strip()
    if text.isdecimal() and len(text) < 8:
        return get_log(con, int(text))
    condition = "file_name = ?"
    value = text
    if len(text) >= 8 and set(text.lower()) <= set("0123456789abcdef"):
        condition = "(file_name = ? OR starts_with(sha256, lower(?)))"
    rows = con.execute(f"{_SELECT} WHERE {condition} ORDER BY log_id", [value] * condition.count("?")).fetchall()
    if not rows:
        raise ArchiveError(f'no log is called "{text}": give its number, its file name or the start of its hash')
    if len(rows) > 1:
        numbers = ", ".join(str(row[0]) for row in rows[:8])
        raise ArchiveError(f'several logs are called "{text}": give one of the numbers {numbers}')
    return _log_row(rows[0])


def logs_of_status(con: Connection, status: Status) -> list[LogRow]:
    """All logs of one status, in the order they came in."""
    return [_log_row(row) for row in con.execute(f"{_SELECT} WHERE status = ? ORDER BY log_id", [status]).fetchall()]


def held_logs(con: Connection) -> list[LogRow]:
    """Logs that wait for an answer, oldest first."""
    return logs_of_status(con, "held")


def log_ids(con: Connection, status: Status | None = None) -> list[int]:
    """The numbers of all logs (of one status), ascending."""
    rows = con.execute("SELECT log_id FROM log WHERE ? IS NULL OR status = ? ORDER BY log_id", [status, status])
    return [row[0] for row in rows.fetchall()]


def original_bytes(con: Connection, log_id: int) -> bytes:
    """The log exactly as it came in. ArchiveError when it was rejected on arrival, or its bytes are damaged."""
    row = con.execute(
        "SELECT sha256, gzip FROM log LEFT JOIN log_bytes USING (log_id) WHERE log_id = ?", [log_id]
    ).fetchone()
    if row is None:
        raise ArchiveError(f"there is no log {log_id}")
    if row[1] is None:
        raise ArchiveError(f"log {log_id} was rejected on arrival: its bytes were not kept")
    try:
        data = unpack(row[1])
    except (OSError, EOFError, zlib.error):
        raise ArchiveError(f"the bytes of log {log_id} are damaged: restore a backup") from None
    if hashlib.sha256(data).hexdigest() != row[0]:
        raise ArchiveError(f"the bytes of log {log_id} do not match their hash: restore a backup")
    return data


def unpack(packed: bytes) -> bytes:
    """Stored bytes, decompressed."""
    return gzip.decompress(packed)


def _write_log(con: Connection, entry: LogEntry, status: Status, keep_bytes: bool) -> int:
    """The log's row and bytes; a held or rejected log with the same bytes becomes this one. Returns its number."""
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
    known = con.execute(
        "SELECT log_id, status, EXISTS (FROM log_bytes b WHERE b.log_id = log.log_id) FROM log WHERE sha256 = ?",
        [sha256],
    ).fetchone()
    if known and known[1] == "stored":
        raise DuplicateLog(known[0])
    if known:
        log_id = int(known[0])
        if keep_bytes or known[2]:
            # The log arrived when it first came in and under its first name; an answer changes neither.
            for unchanged in ("file_name", "source", "received_at"):
                del values[unchanged]
        con.execute(
            f"UPDATE log SET {', '.join(f'{name} = ?' for name in values)} WHERE log_id = ?", [*values.values(), log_id]
        )
    else:
        row = con.execute("SELECT nextval('log_seq')").fetchone()
        log_id = int(row[0]) if row else 0
        con.execute(
            f"INSERT INTO log (log_id, sha256, {', '.join(values)}) VALUES (?, ?, {', '.join('?' * len(values))})",
            [log_id, sha256, *values.values()],
        )
    if keep_bytes and not (known and known[2]):
        con.execute("INSERT INTO log_bytes VALUES (?, ?)", [log_id, gzip.compress(entry.data, _GZIP_LEVEL, mtime=0)])
    return log_id


def store_log(
    con: Connection,
    entry: LogEntry,
    recordings: Sequence[Recording],
    metadata_per_run: Sequence[Mapping[str, RunField]] = (),
) -> list[int]:
    """Bytes, runs, channels and samples of one log; returns the run numbers. Call it inside `Archive.transaction`.

    `metadata_per_run`: one mapping a recording (or none at all): field name -> RunField. Start and zone come from the
    recording unless given, the paste from the jar, placements from the oven. A log that was held becomes stored.

    Raises DuplicateLog when the same bytes are stored already; ArchiveError when a recording cannot be stored.
    """
    if not recordings:
        raise ArchiveError("a log without a run cannot be stored: hold or reject it")
    if metadata_per_run and len(metadata_per_run) != len(recordings):
        raise ArchiveError(f"{len(metadata_per_run)} sets of metadata were given for {len(recordings)} runs")
    log_id = _write_log(con, entry, "stored", keep_bytes=True)
    run_ids = new_run_ids(con, len(recordings))
    for index, (run_id, recording) in enumerate(zip(run_ids, recordings, strict=True)):
        fields = complete_metadata(con, recording, metadata_per_run[index] if metadata_per_run else {})
        insert_run(con, run_id, log_id, index + 1, recording, fields)
    return run_ids


def new_run_ids(con: Connection, count: int) -> list[int]:
    """Fresh run numbers. A number is never given twice, even when its run was never stored."""
    return [row[0] for row in con.execute("SELECT nextval('run_seq') FROM range(?)", [count]).fetchall()]


def hold_log(con: Connection, entry: LogEntry) -> int:
    """Keeps a log that waits for an answer, bytes and all; returns its number. DuplicateLog when stored already."""
    return _write_log(con, entry, "held", keep_bytes=True)


def reject_log(con: Connection, entry: LogEntry) -> int:
    """Records that a log was rejected and why; its bytes are not taken in, but those of a held log stay kept."""
    return _write_log(con, entry, "rejected", keep_bytes=False)
