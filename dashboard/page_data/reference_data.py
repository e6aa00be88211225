"""Logs that wait, and what runs refer to: ovens, pastes, jars, boards, profiles, events, windows."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pandas as pd

from dashboard.page_data.book import Book, kept
from dashboard.page_data.rows import records

if TYPE_CHECKING:
    from dashboard.budgets import OvenBudget


@kept
def held_list(book: Book) -> list[dict[str, Any]]:
    """The logs that wait for an answer, newest first; `questions` and `head` as lists."""
    rows = book.archive.read(
        "SELECT log_id, file_name, received_at, size_bytes, reason, questions, answers, head FROM log "
        "WHERE status = 'held' ORDER BY received_at DESC, log_id DESC"
    )
    out = records(rows)
    for row in out:
        for field, kind in (("questions", list), ("answers", dict), ("head", list)):
            value = json.loads(row[field]) if isinstance(row[field], str) else row[field]
            row[field] = value if isinstance(value, kind) else kind()
    return out


@kept
def rejected_list(book: Book, limit: int = 50) -> pd.DataFrame:
    return book.archive.read(
        "SELECT file_name, received_at, reason FROM log WHERE status = 'rejected' ORDER BY received_at DESC LIMIT ?",
        (limit,),
    )


@kept
def reference(book: Book, table: str) -> pd.DataFrame:
    """The list of ovens, pastes, jars, boards, profiles or events, as the archive gives it."""
    from ingest.archive import events, reference

    listers: dict[str, Callable[[Any], pd.DataFrame]] = {
        "ovens": reference.list_ovens,
        "pastes": reference.list_pastes,
        "jars": reference.list_jars,
        "boards": reference.list_boards,
        "profiles": reference.list_profiles,
        "events": events.list_events,
    }
    with book.archive.connect() as con:
        return listers[table](con)


@kept
def channels_of_oven(book: Book, oven_id: int) -> list[str]:
    """The names of temperature channels in the oven's last twenty runs."""
    rows = book.archive.read(
        "SELECT DISTINCT name FROM channel WHERE role = 'temperature' AND run_id IN "
        "(SELECT run_id FROM run WHERE oven_id = ? ORDER BY run_id DESC LIMIT 20) ORDER BY name",
        (oven_id,),
    )
    return [str(name) for name in rows["name"]]


@kept
def windows(book: Book) -> pd.DataFrame:
    """Every window that is in force, a row a limit, with its owner by name."""
    return book.archive.read(
        "SELECT w.window_id, w.scope, p.name AS paste, b.name AS board, b.revision AS board_revision, o.name AS oven, "
        "w.source, w.revision, w.is_default, l.metric, l.parameters, l.low, l.high, l.unit FROM limit_window w "
        "JOIN window_limit l USING (window_id) LEFT JOIN paste p ON p.paste_id = w.paste_id "
        "LEFT JOIN board b ON b.board_id = w.board_id LEFT JOIN oven o ON o.oven_id = w.oven_id "
        "WHERE w.superseded_at IS NULL ORDER BY w.scope, paste, board, l.metric"
    )


def rules_version() -> str:
    from analysis.evaluate import RULES_VERSION

    return RULES_VERSION


@kept
def stale_count(book: Book) -> int:
    """Runs whose verdict hangs on values that have changed since, or on earlier rules."""
    from ingest.archive.derived import stale_runs

    with book.archive.connect() as con:
        return len(stale_runs(con, rules_version()))


@kept
def not_judged_by_todays_windows(book: Book) -> tuple[int, ...]:
    """Runs judged by a window that has been followed since, or before a window of theirs was entered. Verdicts stand."""
    rows = book.archive.read(
        "SELECT DISTINCT run_id FROM limit_result JOIN limit_window USING (window_id) WHERE superseded_at IS NOT NULL "
        "UNION SELECT r.run_id FROM run r JOIN evaluation e USING (run_id) LEFT JOIN jar j USING (jar_id) "
        "JOIN limit_window w ON w.superseded_at IS NULL AND NOT w.is_default AND ("
        "(w.scope = 'paste' AND w.paste_id = coalesce(r.paste_id, j.paste_id)) "
        "OR (w.scope = 'body' AND w.board_id = r.board_id) "
        "OR (w.scope = 'house' AND coalesce(w.oven_id, r.oven_id) IS NOT DISTINCT FROM r.oven_id "
        "AND coalesce(w.board_id, r.board_id) IS NOT DISTINCT FROM r.board_id)) "
        "WHERE NOT EXISTS (SELECT 1 FROM limit_result l WHERE l.run_id = r.run_id AND l.window_id = w.window_id) "
        "ORDER BY 1"
    )
    return tuple(int(run) for run in rows["run_id"])


@kept
def oven_budget(book: Book, oven_id: int) -> OvenBudget:
    """An oven's uncertainty budget."""
    from dashboard.budgets import budget_of

    return budget_of(book.archive, oven_id)


@kept
def what_would_change(book: Book, runs: tuple[int, ...]) -> pd.DataFrame:
    """The verdicts of `runs` as they stand and as the windows of today would give them, where they differ."""
    from analysis.store import rejudge

    return rejudge(book.archive, runs)
