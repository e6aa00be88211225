"""What was found on the boards. An inspection without a defect says: looked, none found."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from ingest.archive.changes import record_change
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

METHODS = ("naked eye", "loupe", "microscope", "automated optical", "x-ray", "electrical", "other")
SIDES = ("left", "right", "front", "back", "centre")  # of the oven
_DEFECT_KEYS = ("term", "count", "ref_des", "side", "severity", "rework", "note")


def add_inspection(
    con: Connection,
    run_id: int,
    method: str,
    *,
    scope: str | None = None,
    boards_looked: int | None = None,
    joints_looked: int | None = None,
    serial: str | None = None,
    who: str | None = None,
    at: datetime | None = None,
    origin: str = "typed",
    note: str | None = None,
    defects: Sequence[Mapping[str, Any]] = (),
) -> int:
    """Records one look at the boards of a run; returns the inspection's number.

    `boards_looked`, `joints_looked`: how much was looked at, None when not said (no rate can be given then); `at` aware,
    now by default; `defects`: mappings with `term` and optionally `count` (1), `ref_des`, `side`, `severity`, `rework`,
    `note`; a count of 0 says "none of this found" and adds no row. Raises ArchiveError: no such run, an unknown method
    or key, a count that is negative or larger than what was looked at allows.
    """
    if con.execute("SELECT 1 FROM run WHERE run_id = ?", [run_id]).fetchone() is None:
        raise ArchiveError(f"there is no run {run_id}")
    if method not in METHODS:
        raise ArchiveError(f'"{method}" is no method of inspection: there are {", ".join(METHODS)}')
    for what, number in (("boards", boards_looked), ("joints", joints_looked)):
        if number is not None and number < 1:
            raise ArchiveError(f"an inspection that looked at {number} {what} is none: leave it out")
    rows = [row for defect in defects if (row := _defect(defect)) is not None]
    row = con.execute("SELECT nextval('inspection_seq')").fetchone()
    inspection_id = int(row[0]) if row else 0
    con.execute(
        "INSERT INTO inspection VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            *(inspection_id, run_id, method, scope, boards_looked, joints_looked, serial, who),
            *(stored(at or utc_now()), origin, note),
        ],
    )
    for values in rows:
        con.execute(
            "INSERT INTO defect VALUES (nextval('defect_seq'), ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [inspection_id, run_id, *values],
        )
    return inspection_id


def _defect(given: Mapping[str, Any]) -> list[Any] | None:
    unknown = sorted(set(given) - set(_DEFECT_KEYS))
    if unknown:
        raise ArchiveError(f"a defect has no {unknown[0]}: it has {', '.join(_DEFECT_KEYS)}")
    term = str(given.get("term") or "").strip()
    if not term:
        raise ArchiveError("a defect needs its term")
    count = given.get("count")
    number = 1 if count is None else int(count)
    if number < 0:
        raise ArchiveError(f"{term} cannot be counted {number} times")
    if number == 0:
        return None
    return [term, number, *(given.get(key) or None for key in _DEFECT_KEYS[2:])]


def withdraw_inspection(con: Connection, inspection_id: int, who: str | None, why: str | None) -> None:
    """Takes back an inspection entered by mistake, with its defects; the record of changes keeps all of it."""
    cursor = con.execute("SELECT * FROM inspection WHERE inspection_id = ?", [inspection_id])
    names = [column[0] for column in cursor.description or ()]
    row = cursor.fetchone()
    if row is None:
        raise ArchiveError(f"there is no inspection {inspection_id}")
    defects = con.execute(
        f"SELECT {', '.join(_DEFECT_KEYS)} FROM defect WHERE inspection_id = ? ORDER BY defect_id", [inspection_id]
    ).fetchall()
    kept = dict(zip(names, row, strict=True)) | {
        "defects": [dict(zip(_DEFECT_KEYS, defect, strict=True)) for defect in defects]
    }
    con.execute("DELETE FROM defect WHERE inspection_id = ?", [inspection_id])
    con.execute("DELETE FROM inspection WHERE inspection_id = ?", [inspection_id])
    whole = json.dumps(kept, ensure_ascii=False, default=str)
    record_change(con, "inspection", inspection_id, "withdrawn", whole, None, who, why)
