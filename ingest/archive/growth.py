"""A file that a controller goes on writing into is one log that grows, not a new log each time it is copied.

The earlier bytes are the beginning of the later ones, byte for byte, so taking the longer file in their place loses
nothing: the record of changes keeps the length and hash of what was there, and the first bytes of the new are the old.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence

from ingest.archive.changes import record_change
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.archive.log_rows import original_bytes, pack
from ingest.archive.logs import insert_bytes


def log_it_continues(con: Connection, file_name: str, data: bytes) -> int | None:
    """The stored or held log of this name (folders aside) whose bytes are the beginning of these, the longest such; else None."""
    rows = con.execute(
        """SELECT log_id, sha256, size_bytes FROM log
        WHERE parse_filename(file_name) = parse_filename(?) AND status IN ('stored', 'held') AND size_bytes BETWEEN 1 AND ?
        ORDER BY size_bytes DESC""",
        [file_name, len(data) - 1],
    ).fetchall()
    for log_id, sha256, size in rows:
        if hashlib.sha256(data[:size]).hexdigest() == sha256:
            return int(log_id)
    return None


def log_that_holds_it(con: Connection, file_name: str, data: bytes, head: Sequence[str]) -> int | None:
    """The stored log of this name that begins with these bytes and goes on: an earlier copy has come again.

    `head`: its first lines as read, which tell most logs of one name apart without unpacking them.
    """
    if not data:
        return None
    rows = con.execute(
        """SELECT log_id, head FROM log WHERE parse_filename(file_name) = parse_filename(?) AND status = 'stored'
        AND size_bytes > ? ORDER BY log_id""",
        [file_name, len(data)],
    ).fetchall()
    for log_id, kept in rows:
        if json.loads(kept) == list(head) and original_bytes(con, log_id)[: len(data)] == data:
            return int(log_id)
    return None


def extend_log(con: Connection, log_id: int, data: bytes, who: str | None = None) -> None:
    """Puts the longer file in the place of the shorter it begins with. Its runs are not read again here.

    Raises ArchiveError, and changes nothing, when the bytes kept are not the beginning of `data`.
    """
    before = original_bytes(con, log_id)
    if len(before) >= len(data) or data[: len(before)] != before:
        raise ArchiveError(f"log {log_id} is not the beginning of this file: it was kept as it is")
    old, new = hashlib.sha256(before).hexdigest(), hashlib.sha256(data).hexdigest()
    con.execute("UPDATE log SET sha256 = ?, size_bytes = ? WHERE log_id = ?", [new, len(data), log_id])
    con.execute("DELETE FROM log_bytes WHERE log_id = ?", [log_id])
    insert_bytes(con, log_id, pack(data))
    why = "the file was longer when it came again"
    record_change(con, "log", log_id, "bytes", f"{len(before)} bytes, {old}", f"{len(data)} bytes, {new}", who, why)
