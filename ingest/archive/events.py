"""What was done to an oven: maintenance, moves, changes of firmware."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from ingest.archive.clock import aware, stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pandas as pd

EVENT_KINDS = (
    "element",
    "seal",
    "fan",
    "clean",
    "relay",
    "thermocouple",
    "controller",
    "firmware",
    "profile",
    "moved",
    "other",
)
PRECISIONS = ("time", "day", "month")
# After these the oven or its sensing is another one: an old baseline says nothing about it. Cleaning and a changed
# profile leave the oven itself as it was.
_RESTARTING = frozenset({"element", "seal", "fan", "relay", "thermocouple", "controller", "firmware", "moved"})


def add_event(
    con: Connection,
    oven_id: int,
    kind: str,
    happened_at: datetime,
    *,
    at_precision: str = "time",
    note: str | None = None,
    expected: str | None = None,
    restarts_baseline: bool | None = None,
    origin: str = "typed",
    who: str | None = None,
) -> int:
    """Records an event; returns its number.

    `happened_at` aware, as exact as `at_precision` (time | day | month) says; `expected` what it was meant to change, in
    words; `restarts_baseline` by kind unless said; `origin` typed | derived | imported. ArchiveError for other words.
    """
    if kind not in EVENT_KINDS:
        raise ArchiveError(f'"{kind}" is no kind of event: there are {", ".join(EVENT_KINDS)}')
    if at_precision not in PRECISIONS:
        raise ArchiveError(f'"{at_precision}" is no precision: there are {", ".join(PRECISIONS)}')
    if con.execute("SELECT 1 FROM oven WHERE oven_id = ?", [oven_id]).fetchone() is None:
        raise ArchiveError(f"there is no oven {oven_id}")
    row = con.execute("SELECT nextval('event_seq')").fetchone()
    event_id = int(row[0]) if row else 0
    restarts = kind in _RESTARTING if restarts_baseline is None else restarts_baseline
    con.execute(
        "INSERT INTO event VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            event_id,
            oven_id,
            kind,
            stored(happened_at),
            at_precision,
            note,
            expected,
            restarts,
            origin,
            who,
            stored(utc_now()),
        ],
    )
    return event_id


def list_events(con: Connection, oven_id: int | None = None) -> pd.DataFrame:
    """All events (of one oven) by time, with the oven's name. Times UTC."""
    return con.execute(
        """SELECT e.*, o.name AS oven FROM event e LEFT JOIN oven o USING (oven_id)
           WHERE ?::INTEGER IS NULL OR e.oven_id = ? ORDER BY happened_at, event_id""",
        [oven_id, oven_id],
    ).df()


def get_event(con: Connection, event_id: int) -> dict[str, Any]:
    """One event as a dict, times aware. ArchiveError when there is none."""
    cursor = con.execute("SELECT * FROM event WHERE event_id = ?", [event_id])
    names = [column[0] for column in cursor.description or ()]
    row = cursor.fetchone()
    if row is None:
        raise ArchiveError(f"there is no event {event_id}")
    out = dict(zip(names, row, strict=True))
    return out | {"happened_at": aware(out["happened_at"]), "entered_at": aware(out["entered_at"])}
