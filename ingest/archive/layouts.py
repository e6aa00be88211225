"""Remembered layouts: how one controller's logs are laid out, so that the next one needs no question."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ingest.archive.changes import record_change
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.recording import LayoutFound

if TYPE_CHECKING:
    import pandas as pd


def add_layout(
    con: Connection, name: str | None, fingerprint: str, decisions: Mapping[str, Any], origin: str = "derived"
) -> int:
    """Remembers a layout; returns its number. `origin` derived (read without a question) or typed (questions answered).

    The same fingerprint and decisions remembered already: that one's number. The same fingerprint with other decisions
    supersedes it. `name` None: "layout N"; a name in use gets the number behind it.
    """
    text = json.dumps(dict(decisions), sort_keys=True, ensure_ascii=False)
    for layout_id, kept in con.execute(
        "SELECT layout_id, decisions FROM layout WHERE fingerprint = ? AND forgotten_at IS NULL", [fingerprint]
    ).fetchall():
        if json.loads(kept) == dict(decisions):
            return layout_id
        forget_layout(con, layout_id)
    row = con.execute("SELECT nextval('layout_seq')").fetchone()
    layout_id = int(row[0]) if row else 0
    called = (name or "").strip() or f"layout {layout_id}"
    if con.execute("SELECT 1 FROM layout WHERE lower(name) = lower(?)", [called]).fetchone():
        called = f"{called} ({layout_id})"
    con.execute(
        "INSERT INTO layout VALUES (?, ?, ?, ?, ?, ?, NULL)",
        [layout_id, called, fingerprint, text, origin, stored(utc_now())],
    )
    return layout_id


def known_layouts(con: Connection) -> list[tuple[int, LayoutFound]]:
    """The remembered layouts that hold, for the reader."""
    rows = con.execute(
        "SELECT layout_id, fingerprint, decisions FROM layout WHERE forgotten_at IS NULL ORDER BY layout_id"
    )
    return [(layout_id, LayoutFound(mark, json.loads(decisions))) for layout_id, mark, decisions in rows.fetchall()]


def find_layout(con: Connection, name_or_fingerprint: str) -> int | None:
    """A remembered layout's number by its name or fingerprint."""
    row = con.execute(
        """SELECT layout_id FROM layout WHERE forgotten_at IS NULL AND (lower(name) = lower(?) OR fingerprint = ?)
           ORDER BY layout_id DESC LIMIT 1""",
        [name_or_fingerprint.strip()] * 2,
    ).fetchone()
    return row[0] if row else None


def list_layouts(con: Connection) -> pd.DataFrame:
    """All layouts, forgotten ones too, with the number of logs read by each."""
    return con.execute(
        """SELECT y.*, coalesce(logs, 0) AS logs FROM layout y LEFT JOIN (
               SELECT layout_id, count(*)::INTEGER AS logs FROM log GROUP BY layout_id
           ) USING (layout_id) ORDER BY layout_id"""
    ).df()


def forget_layout(con: Connection, layout_id: int) -> None:
    """Stops using a layout; logs read by it keep pointing to it. ArchiveError when there is none."""
    row = con.execute(
        "UPDATE layout SET forgotten_at = coalesce(forgotten_at, ?) WHERE layout_id = ? RETURNING layout_id",
        [stored(utc_now()), layout_id],
    ).fetchone()
    if row is None:
        raise ArchiveError(f"there is no layout {layout_id}")


def change_layout(con: Connection, layout_id: int, found: LayoutFound, who: str | None, why: str | None) -> None:
    """Replaces what a layout says, keeping its number and name; the layout becomes typed. Records the change.

    The logs read by it are not read again here. ArchiveError when there is none.
    """
    row = con.execute("SELECT decisions FROM layout WHERE layout_id = ?", [layout_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no layout {layout_id}")
    decisions = json.dumps(found.decisions, sort_keys=True, ensure_ascii=False)
    if decisions != row[0]:
        con.execute("UPDATE layout SET decisions = ?, origin = 'typed' WHERE layout_id = ?", [decisions, layout_id])
        record_change(con, "layout", layout_id, "decisions", row[0], decisions, who, why)
