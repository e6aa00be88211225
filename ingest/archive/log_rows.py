"""Logs as the archive knows them: found, listed, and their original bytes given back."""

from __future__ import annotations

import gzip
import hashlib
import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from ingest.archive.clock import aware, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.recording import Notice, Question

# Of such logs level 6 takes twice the time and saves nothing, level 9 three times.
_GZIP_LEVEL = 5

Status = Literal["stored", "held", "rejected"]


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


def logs_of_layout(con: Connection, layout_id: int) -> list[LogRow]:
    """The stored logs that were read by a layout, in the order they came in."""
    rows = con.execute(f"{_SELECT} WHERE status = 'stored' AND layout_id = ? ORDER BY log_id", [layout_id]).fetchall()
    return [_log_row(row) for row in rows]


def log_ids(con: Connection, status: Status | None = None) -> list[int]:
    """The numbers of all logs (of one status), ascending."""
    rows = con.execute("SELECT log_id FROM log WHERE ? IS NULL OR status = ? ORDER BY log_id", [status, status])
    return [row[0] for row in rows.fetchall()]


def original_bytes(con: Connection, log_id: int) -> bytes:
    """The log exactly as it came in. ArchiveError when it was rejected on arrival, or its bytes are damaged."""
    row = con.execute("SELECT sha256 FROM log WHERE log_id = ?", [log_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no log {log_id}")
    pieces = con.execute("SELECT gzip FROM log_bytes WHERE log_id = ? ORDER BY piece", [log_id]).fetchall()
    if not pieces:
        raise ArchiveError(f"log {log_id} was rejected on arrival: its bytes were not kept")
    try:
        data = unpack([piece for (piece,) in pieces])
    except (OSError, EOFError, zlib.error):
        raise ArchiveError(f"the bytes of log {log_id} are damaged: restore a backup") from None
    if hashlib.sha256(data).hexdigest() != row[0]:
        raise ArchiveError(f"the bytes of log {log_id} do not match their hash: restore a backup")
    return data


def pack(data: bytes) -> bytes:
    """Original bytes as they are kept, before they are cut into pieces."""
    return gzip.compress(data, _GZIP_LEVEL, mtime=0)


def unpack(pieces: Sequence[bytes]) -> bytes:
    """Stored pieces, joined and decompressed."""
    return gzip.decompress(b"".join(pieces))
