"""Lists of runs: which there are, filtered and sorted, and the newest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from dashboard.page_data.book import Book, kept

# What a run's list can be sorted by: words on the page, and the column of run_overview behind each.
SORTS = {
    "newest first": "coalesce(started_at, received_at) DESC NULLS LAST, run DESC",
    "oldest first": "coalesce(started_at, received_at) ASC NULLS LAST, run ASC",
    "smallest margin first": "limiting_margin ASC NULLS LAST, run DESC",
    "longest first": "duration_s DESC, run DESC",
    "run number": "run DESC",
}


@dataclass(frozen=True)
class RunFilter:
    """Which runs to list. None does not filter; days are calendar days in the archive's zone, both included."""

    oven: str | None = None
    board: str | None = None
    paste: str | None = None
    profile: str | None = None
    verdict: str | None = None
    kind: str | None = None
    words: str | None = None  # in the file name, note, operator or serials
    first_day: date | None = None
    last_day: date | None = None


@kept
def newest_run(book: Book) -> int | None:
    """The run with the latest start (its arrival, where the start is unknown)."""
    rows = book.archive.read(
        "SELECT run_id FROM run JOIN log USING (log_id) ORDER BY coalesce(started_at, received_at) DESC NULLS LAST, run_id DESC "
        "LIMIT 1"
    )
    return None if rows.empty else int(rows["run_id"].iloc[0])


@kept
def neighbours(book: Book, run: int) -> tuple[int | None, int | None]:
    """The runs before and after `run` in time."""
    rows = book.archive.read(
        "SELECT before, after FROM (SELECT run_id, lag(run_id) OVER w AS before, lead(run_id) OVER w AS after "
        "FROM run JOIN log USING (log_id) WINDOW w AS (ORDER BY coalesce(started_at, received_at), run_id)) WHERE run_id = ?",
        (run,),
    )
    if rows.empty:
        return None, None
    before, after = rows.iloc[0]["before"], rows.iloc[0]["after"]
    return (None if pd.isna(before) else int(before)), (None if pd.isna(after) else int(after))


@kept
def is_demo(book: Book) -> bool:
    """True when this archive was built as the demo."""
    from dashboard.demo import is_demo as built_as_demo

    return built_as_demo(book.archive)


@kept
def counts(book: Book) -> dict[str, int]:
    """How many runs, held and rejected logs the archive holds."""
    rows = book.archive.read(
        "SELECT (SELECT count(*) FROM run) AS runs, count(*) FILTER (status = 'held') AS held, "
        "count(*) FILTER (status = 'rejected') AS rejected, count(*) FILTER (status = 'stored') AS stored FROM log"
    )
    return {name: int(rows[name].iloc[0]) for name in ("runs", "held", "rejected", "stored")}


def _where(run_filter: RunFilter, zone: str) -> tuple[str, list[Any]]:
    terms: list[str] = []
    values: list[Any] = []
    for column in ("oven", "board", "paste", "profile", "verdict", "kind"):
        wanted = getattr(run_filter, column)
        if wanted is not None:
            terms.append(f"{column} = ?")
            values.append(wanted)
    if run_filter.words:
        terms.append("contains(lower(concat_ws(' ', log_file, note, operator, serials, lot, jar)), lower(?))")
        values.append(run_filter.words)
    if run_filter.first_day:
        terms.append("coalesce(started_at, received_at) >= ?")
        values.append(_utc(pd.Timestamp(run_filter.first_day), zone))
    if run_filter.last_day:
        terms.append("coalesce(started_at, received_at) < ?")
        values.append(_utc(pd.Timestamp(run_filter.last_day) + pd.Timedelta(days=1), zone))
    return (" WHERE " + " AND ".join(terms) if terms else ""), values


def _utc(midnight: pd.Timestamp, zone: str) -> Any:
    return (
        midnight.tz_localize(zone, ambiguous=True, nonexistent="shift_forward")
        .tz_convert("UTC")
        .tz_localize(None)
        .to_pydatetime()
    )


@kept
def run_list(book: Book, run_filter: RunFilter, sort: str = "newest first", limit: int = 500) -> pd.DataFrame:
    """A row of run_overview for each matching run, `sort` one of SORTS, at most `limit` rows."""
    where, values = _where(run_filter, book.zone)
    # The numbers first: sorting the wide rows of every run would take five times as long.
    picked = f"SELECT run FROM run_overview{where} ORDER BY {SORTS[sort]} LIMIT ?"
    return book.archive.read(
        f"SELECT * FROM run_overview WHERE run IN ({picked}) ORDER BY {SORTS[sort]}", (*values, limit)
    )


@kept
def run_count(book: Book, run_filter: RunFilter) -> int:
    where, values = _where(run_filter, book.zone)
    return int(book.archive.read(f"SELECT count(*) AS n FROM run_overview{where}", tuple(values))["n"].iloc[0])


@kept
def filter_choices(book: Book) -> dict[str, list[str]]:
    """The values that occur, for each field a list of runs can be filtered by."""
    columns = ("oven", "board", "paste", "profile", "verdict", "kind")
    lists = ", ".join(f"list_sort(list(DISTINCT {c}) FILTER ({c} IS NOT NULL)) AS {c}" for c in columns)
    row = book.archive.read(f"SELECT {lists} FROM run_overview").iloc[0]
    # A field no run has a value of comes back as one missing value instead of a list.
    return {c: [str(v) for v in row[c]] if hasattr(row[c], "__iter__") else [] for c in columns}
