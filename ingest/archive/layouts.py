"""Remembered layouts: how one controller's logs are laid out, so that the next one needs no question."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.recording import LayoutFound

if TYPE_CHECKING:
    import pandas as pd


def add_layout(con: Connection, name: str | None, found: LayoutFound, origin: str = "derived") -> int:
    """Remembers a layout; returns its number. `origin` derived (read without a question) or typed (questions answered).

    The same fingerprint and decisions remembered already: that one's number. The same fingerprint with other decisions
    supersedes it. `name` None: "layout N"; a name in use gets the number behind it.
    """
    decisions = json.dumps(found.decisions, sort_keys=True, ensure_ascii=False)
    for layout_id, kept in con.execute(
        "SELECT layout_id, decisions FROM layout WHERE fingerprint = ? AND forgotten_at IS NULL", [found.fingerprint]
    ).fetchall():
        if kept == decisions:
            return layout_id
        forget_layout(con, layout_id)
    row = con.execute("SELECT nextval('layout_seq')").fetchone()
    layout_id = int(row[0]) if row else 0
    text = (name or "").strip() or f"layout {layout_id}"
    if con.execute("SELECT 1 FROM layout WHERE lower(name) = lower(?)", [text]).fetchone():
        text = f"{text} ({layout_id})"
    con.execute(
        "INSERT INTO layout VALUES (?, ?, ?, ?, ?, ?, NULL)",
        [layout_id, text, found.fingerprint, decisions, origin, stored(utc_now())],
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
