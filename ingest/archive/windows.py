"""Windows: sets of limits with a source and a revision. Never edited, only followed by a new revision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.archive.changes import mark_stale, mark_stale_where
from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pandas as pd

SCOPES = ("paste", "body", "house")


@dataclass(frozen=True)
class WindowLimit:
    """One limit as stored. Low and high in `unit`, None is open; `parameters` canonical JSON."""

    window_id: int
    scope: str
    source: str
    revision: str
    is_default: bool
    metric: str
    parameters: str
    low: float | None
    high: float | None
    unit: str


def add_window(
    con: Connection,
    scope: str,
    source: str,
    revision: str,
    limits: Sequence[tuple[str, str, float | None, float | None, str]],
    *,
    paste_id: int | None = None,
    board_id: int | None = None,
    oven_id: int | None = None,
    is_default: bool = False,
    rejudge: bool = False,
) -> int:
    """Stores a window of (metric, parameters, low, high, unit) rows and supersedes the earlier one of the same owner.

    `scope` paste (owner `paste_id`), body (`board_id`) or house (all runs, or those of `oven_id` or `board_id`).
    Verdicts given under the earlier window stand until the runs are judged again; `rejudge` marks the owner's
    evaluations stale at once, for a window that corrects a mistake.
    Raises ArchiveError: no source, no limit, low above high, an owner that does not fit the scope or does not exist.
    """
    _check_owner(con, scope, paste_id, board_id, oven_id)
    if not source.strip() or not limits:
        raise ArchiveError("a window needs its source and at least one limit")
    seen = set()
    for metric, parameters, low, high, _ in limits:
        if low is None and high is None:
            raise ArchiveError(f"the limit on {metric} has neither a low nor a high value")
        if low is not None and high is not None and low > high:
            raise ArchiveError(f"the limit on {metric} has its low value {low:g} above its high value {high:g}")
        if (metric, parameters) in seen:
            raise ArchiveError(f"the window names {metric} twice with the same parameters")
        seen.add((metric, parameters))
    now = stored(utc_now())
    con.execute(
        """UPDATE limit_window SET superseded_at = ? WHERE superseded_at IS NULL AND scope = ?
           AND paste_id IS NOT DISTINCT FROM ? AND board_id IS NOT DISTINCT FROM ? AND oven_id IS NOT DISTINCT FROM ?""",
        [now, scope, paste_id, board_id, oven_id],
    )
    row = con.execute("SELECT nextval('window_seq')").fetchone()
    window_id = int(row[0]) if row else 0
    con.execute(
        "INSERT INTO limit_window VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, NULL)",
        [window_id, scope, paste_id, board_id, oven_id, source.strip(), revision.strip(), is_default, now],
    )
    rows = [[window_id, *limit, None] for limit in limits]
    con.execute(
        "INSERT INTO window_limit VALUES " + ", ".join(["(?, ?, ?, ?, ?, ?, ?)"] * len(rows)),
        [value for values in rows for value in values],
    )
    if rejudge:
        _mark_owner_stale(con, paste_id, board_id, oven_id)
    return window_id


def _check_owner(con: Connection, scope: str, paste_id: int | None, board_id: int | None, oven_id: int | None) -> None:
    if scope not in SCOPES:
        raise ArchiveError(f'"{scope}" is no scope of a window: there are {", ".join(SCOPES)}')
    owners = {"paste": paste_id, "board": board_id, "oven": oven_id}
    given = [name for name, value in owners.items() if value is not None]
    fits = {
        "paste": given == ["paste"],
        "body": given == ["board"],
        "house": given in ([], ["oven"], ["board"]),
    }[scope]
    if not fits:
        raise ArchiveError(f"a {scope} window cannot belong to {' and '.join(given) or 'all runs'}")
    for name in given:
        if con.execute(f"SELECT 1 FROM {name} WHERE {name}_id = ?", [owners[name]]).fetchone() is None:
            raise ArchiveError(f"there is no {name} {owners[name]}")


def _mark_owner_stale(con: Connection, paste_id: int | None, board_id: int | None, oven_id: int | None) -> None:
    why = "a window has a new revision"
    for column, owner in (("paste_id", paste_id), ("board_id", board_id), ("oven_id", oven_id)):
        if owner is not None:
            mark_stale_where(con, column, owner, why)
            return
    mark_stale(con, [row[0] for row in con.execute("SELECT run_id FROM evaluation").fetchall()], why)


def windows_for(con: Connection, run_id: int) -> list[WindowLimit]:
    """The limits that hold for a run now: of its paste, its board's body, the house, its oven. Empty: none known.

    ArchiveError when there is no such run.
    """
    if con.execute("SELECT 1 FROM run WHERE run_id = ?", [run_id]).fetchone() is None:
        raise ArchiveError(f"there is no run {run_id}")
    rows = con.execute(
        """SELECT w.window_id, w.scope, w.source, w.revision, w.is_default, l.metric, l.parameters, l.low, l.high, l.unit
           FROM run r JOIN limit_window w ON w.superseded_at IS NULL AND (
               (w.scope = 'paste' AND w.paste_id = r.paste_id) OR (w.scope = 'body' AND w.board_id = r.board_id)
               OR (w.scope = 'house' AND (w.oven_id IS NULL OR w.oven_id = r.oven_id)
                   AND (w.board_id IS NULL OR w.board_id = r.board_id)))
           JOIN window_limit l USING (window_id)
           WHERE r.run_id = ? ORDER BY w.window_id, l.rowid""",
        [run_id],
    ).fetchall()
    return [WindowLimit(*row) for row in rows]


def list_windows(
    con: Connection, *, paste_id: int | None = None, board_id: int | None = None, superseded: bool = False
) -> pd.DataFrame:
    """One row a limit, with its window's source, revision and owner; of one paste or board, or all."""
    return con.execute(
        """SELECT w.*, l.metric, l.parameters, l.low, l.high, l.unit, l.note FROM limit_window w
           JOIN window_limit l USING (window_id)
           WHERE (?::INTEGER IS NULL OR w.paste_id = ?) AND (?::INTEGER IS NULL OR w.board_id = ?)
           AND (? OR w.superseded_at IS NULL) ORDER BY w.window_id, l.rowid""",
        [paste_id, paste_id, board_id, board_id, superseded],
    ).df()
