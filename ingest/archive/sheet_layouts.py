"""How sheets of inspections are laid out, remembered from answers; and which sheets were imported already."""

from __future__ import annotations

import json
from collections.abc import Mapping

from ingest.archive.changes import record_change
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection


def sheet_columns(con: Connection, fingerprint: str) -> dict[str, str]:
    """role -> header as answered for a sheet with this header; empty when none was."""
    row = con.execute("SELECT columns FROM sheet_layout WHERE fingerprint = ?", [fingerprint]).fetchone()
    return dict(json.loads(row[0])) if row else {}


def remember_sheet(con: Connection, fingerprint: str, columns: Mapping[str, str], who: str | None) -> None:
    """Keeps what was answered; other answers for the same header replace it, and the change is recorded."""
    text = json.dumps(dict(columns), sort_keys=True, ensure_ascii=False)
    row = con.execute(
        "SELECT sheet_layout_id, columns FROM sheet_layout WHERE fingerprint = ?", [fingerprint]
    ).fetchone()
    if row is None:
        con.execute(
            "INSERT INTO sheet_layout VALUES (nextval('sheet_layout_seq'), ?, ?, ?, ?)",
            [fingerprint, text, who, stored(utc_now())],
        )
    elif json.loads(row[1]) != dict(columns):
        con.execute("UPDATE sheet_layout SET columns = ? WHERE fingerprint = ?", [text, fingerprint])
        record_change(con, "sheet_layout", int(row[0]), "columns", row[1], text, who, "answered for another sheet")


def sheet_imported(con: Connection, sha256: str) -> str | None:
    """When this very sheet was imported (UTC, ISO), or None."""
    row = con.execute("SELECT imported_at FROM inspection_sheet WHERE sha256 = ?", [sha256]).fetchone()
    return row[0].isoformat(sep=" ", timespec="minutes") if row else None


def note_sheet(con: Connection, sha256: str, file_name: str, inspections: int, who: str | None) -> None:
    con.execute(
        "INSERT INTO inspection_sheet VALUES (?, ?, ?, ?, ?)", [sha256, file_name, inspections, who, stored(utc_now())]
    )
