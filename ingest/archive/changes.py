"""Who changed what, when and why; and which evaluations a change makes stale."""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import datetime
from typing import TYPE_CHECKING, Any

from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection

if TYPE_CHECKING:
    import pandas as pd


def as_text(value: Any) -> str | None:
    """A value as the record of changes keeps it."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, (dict, list, tuple)):
        return json.dumps(value, ensure_ascii=False)
    return str(value)


def record_change(
    con: Connection, table: str, row_id: int, field: str, old: Any, new: Any, who: str | None, why: str | None
) -> None:
    """One line in the record of changes. Nothing ever removes a line."""
    con.execute(
        "INSERT INTO change VALUES (nextval('change_seq'), ?, ?, ?, ?, ?, ?, ?, ?)",
        [table, row_id, field, as_text(old), as_text(new), who, stored(utc_now()), why],
    )


def changes_of(con: Connection, table: str | None = None, row_id: int | None = None) -> pd.DataFrame:
    """The record of changes, newest first: table, row, field, old, new, who, when (UTC), why."""
    return con.execute(
        """SELECT table_name AS "table", row_id, field, old_value, new_value, who, changed_at, why FROM change
           WHERE (?::VARCHAR IS NULL OR table_name = ?) AND (?::INTEGER IS NULL OR row_id = ?) ORDER BY change_id DESC""",
        [table, table, row_id, row_id],
    ).df()


def mark_stale(con: Connection, run_ids: Iterable[int], why: str) -> None:
    """Says that these runs' evaluations rest on values that have changed since; `stale_runs` then lists them."""
    con.execute("UPDATE evaluation SET stale = ? WHERE run_id IN (SELECT unnest(?::INTEGER[]))", [why, list(run_ids)])


def mark_stale_where(con: Connection, column: str, row_id: int, why: str) -> None:
    """As `mark_stale`, for the runs whose `column` (oven_id, paste_id, board_id, jar_id) is `row_id`."""
    con.execute(
        f"UPDATE evaluation SET stale = ? WHERE run_id IN (SELECT run_id FROM run WHERE {column} = ?)", [why, row_id]
    )
