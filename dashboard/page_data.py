"""Everything the pages show, read from the archive and kept until the archive changes.

Each loader is cached by the archive's change counter, never by time: a log imported from another terminal is there on the
next page load, and an unchanged archive is not read twice. What comes back is shared between readers: never change it.
"""

from __future__ import annotations

import functools
import json
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

import pandas as pd

from analysis.results import Limit, LimitResult
from ingest.archive import Archive, open_archive
from ingest.recording import Recording

if TYPE_CHECKING:
    from analysis.curve_shape import Shape
    from analysis.oven_model import OvenModel
    from dashboard.budgets import OvenBudget

P = ParamSpec("P")
T = TypeVar("T")
_KEPT = 64  # results kept a loader; a page asks for a handful

# What a run's list can be sorted by: words on the page, and the column of run_overview behind each.
SORTS = {
    "newest first": "coalesce(started_at, received_at) DESC NULLS LAST, run DESC",
    "oldest first": "coalesce(started_at, received_at) ASC NULLS LAST, run ASC",
    "smallest margin first": "limiting_margin ASC NULLS LAST, run DESC",
    "longest first": "duration_s DESC, run DESC",
    "run number": "run DESC",
}


@dataclass(frozen=True)
class Book:
    """The archive as it was at one change counter: what one page load works on."""

    archive: Archive
    counter: int

    @property
    def zone(self) -> str:
        return self.archive.zone


@functools.lru_cache(maxsize=4)
def _opened(path: str | None) -> Archive:
    """The archive at `path`, with the default pastes and windows in it. Opened once a process; holds no connection."""
    from analysis.store import seed_defaults

    archive = open_archive(path)
    seed_defaults(archive)
    return archive


def current(path: str | None) -> Book:
    """The archive at `path` (None: the default place) as it is now. Raises ArchiveError with one clear line."""
    archive = _opened(path)
    return Book(archive, archive.change_counter())


def kept(load: Callable[Concatenate[Book, P], T]) -> Callable[Concatenate[Book, P], T]:
    """Keep what `load` gave until the archive's change counter moves. Arguments must be hashable."""
    store: OrderedDict[Any, Any] = OrderedDict()
    lock = threading.Lock()

    @functools.wraps(load)
    def look_up(book: Book, *args: P.args, **kwargs: P.kwargs) -> T:
        key = (str(book.archive.path), book.counter, args, tuple(sorted(kwargs.items())))
        with lock:
            if key in store:
                store.move_to_end(key)
                return store[key]
        value = load(book, *args, **kwargs)
        with lock:
            store[key] = value
            while len(store) > _KEPT:
                store.popitem(last=False)
        return value

    return look_up


# Runs ----------------------------------------------------------------------------------------------------------------


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
    rows = book.archive.read(f"SELECT run FROM run_overview ORDER BY {SORTS['newest first']} LIMIT 1")
    return None if rows.empty else int(rows["run"].iloc[0])


@kept
def neighbours(book: Book, run: int) -> tuple[int | None, int | None]:
    """The runs before and after `run` in time."""
    rows = book.archive.read(
        "SELECT before, after FROM (SELECT run, lag(run) OVER w AS before, lead(run) OVER w AS after FROM run_overview "
        "WINDOW w AS (ORDER BY coalesce(started_at, received_at), run)) WHERE run = ?",
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
    return book.archive.read(f"SELECT * FROM run_overview{where} ORDER BY {SORTS[sort]} LIMIT ?", (*values, limit))


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


# One run -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RunDetail:
    """One run with everything derived from it and everything noted about it.

    `overview` a row of run_overview; `summary` the object of `show N --json`; `limits` with the channel number that
    decided; `channels` rows of channel_overview; `metrics` rows of metric_long; `findings` rows of finding; `origins`
    field to origin; `log` the log's facts; `changes` corrections; `inspections` rows of defect_long.
    """

    run: int
    overview: dict[str, Any]
    summary: dict[str, Any]
    liquidus_c: float | None
    limits: tuple[LimitResult, ...]
    channels: pd.DataFrame
    metrics: pd.DataFrame
    findings: tuple[dict[str, Any], ...]
    origins: dict[str, str]
    log: dict[str, Any]
    changes: pd.DataFrame
    inspections: pd.DataFrame

    def channel_name(self, channel_no: int | None) -> str | None:
        if channel_no is None:
            return None
        match = self.channels.loc[self.channels["channel_no"] == channel_no, "name"]
        return None if match.empty else str(match.iloc[0])


@kept
def run_detail(book: Book, run: int) -> RunDetail | None:
    """All about one run except its samples, or None when there is no such run."""
    from analysis.store import run_summary

    with book.archive.connect() as con:

        def read(sql: str) -> pd.DataFrame:
            return con.execute(sql, [run]).df()

        overview = read("SELECT * FROM run_overview WHERE run = ?")
        if overview.empty:
            return None
        liquidus = read(
            "SELECT liquidus_c FROM paste WHERE paste_id = (SELECT coalesce(r.paste_id, j.paste_id) FROM run r "
            "LEFT JOIN jar j USING (jar_id) WHERE r.run_id = ?)"
        )
        limits = read("SELECT * FROM limit_result WHERE run_id = ?")
        channels = read("SELECT * FROM channel_overview WHERE run = ? ORDER BY channel_no")
        metrics = read("SELECT * FROM metric_long WHERE run = ?")
        findings = read("SELECT * FROM finding WHERE run = ?")
        origins = read("SELECT field, origin FROM run_origin WHERE run_id = ?")
        log = read(
            "SELECT l.log_id, l.file_name, l.source, l.received_at, l.size_bytes, l.sha256, l.warnings, l.reader_version, "
            "r.part, r.first_line, r.last_line, r.sample_count, y.name AS layout FROM run r JOIN log l USING (log_id) "
            "LEFT JOIN layout y USING (layout_id) WHERE r.run_id = ?"
        )
        changes = read("SELECT * FROM change WHERE table_name = 'run' AND row_id = ? ORDER BY changed_at")
        inspections = read("SELECT * FROM defect_long WHERE run = ? ORDER BY inspected_at")
    return RunDetail(
        run=run,
        overview=record(overview),
        summary=run_summary(book.archive, run),
        liquidus_c=None if liquidus.empty else float(liquidus["liquidus_c"].iloc[0]),
        limits=_limits(limits),
        channels=channels,
        metrics=metrics,
        findings=tuple(records(findings)),
        origins=dict(zip(origins["field"], origins["origin"], strict=True)),
        log=record(log),
        changes=changes,
        inspections=inspections,
    )


@kept
def recording_of(book: Book, run: int) -> Recording:
    """The samples of a run."""
    from ingest.archive.runs import load_recording

    with book.archive.connect() as con:
        return load_recording(con, run)


@kept
def oven_model(book: Book, run: int) -> OvenModel:
    """The oven as a small thermal model, from this run's log."""
    from analysis.store.comparing import model_of

    return model_of(book.archive, run)


@kept
def curve_shape(book: Book, run: int) -> Shape:
    """This run's curves against those of comparable runs."""
    from analysis.store.comparing import shape_of

    return shape_of(book.archive, run)


@kept
def run_ids(book: Book, run: int) -> dict[str, int | None]:
    """The numbers behind the names of a run: oven_id, profile_id, paste_id, jar_id, board_id."""
    rows = book.archive.read("SELECT oven_id, profile_id, paste_id, jar_id, board_id FROM run WHERE run_id = ?", (run,))
    return {name: None if value is None else int(value) for name, value in record(rows).items()}


def original_log(book: Book, log_id: int) -> bytes:
    """The bytes of a log as they came in."""
    from ingest.archive.logs import original_bytes

    with book.archive.connect() as con:
        return original_bytes(con, log_id)


def _limits(rows: pd.DataFrame) -> tuple[LimitResult, ...]:
    out: list[LimitResult] = []
    for row in records(rows):
        limit = Limit(
            metric=row["metric"],
            parameters=row["parameters"],
            low=row["low"],
            high=row["high"],
            unit=row["unit"],
            scope=row["scope"],
            source=row["source"],
            revision=row["revision"],
            window_id=int(row["window_id"]),
        )
        channel = row["channel_no"]
        out.append(
            LimitResult(
                limit=limit,
                channel=None if channel is None else int(channel),
                value=row["value"],
                uncertainty=row["uncertainty"],
                margin=row["margin"],
                verdict=row["verdict"],
                reason=row["reason"],
            )
        )
    return tuple(out)


# Logs that wait, and reference data ------------------------------------------------------------------------------------


@kept
def held_list(book: Book) -> list[dict[str, Any]]:
    """The logs that wait for an answer, newest first; `questions` and `head` as lists."""
    rows = book.archive.read(
        "SELECT log_id, file_name, received_at, size_bytes, reason, questions, answers, head FROM log "
        "WHERE status = 'held' ORDER BY received_at DESC, log_id DESC"
    )
    out = records(rows)
    for row in out:
        for field in ("questions", "answers", "head"):
            row[field] = json.loads(row[field]) if isinstance(row[field], str) else row[field]
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


# Plain rows ----------------------------------------------------------------------------------------------------------


def records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as dictionaries in which everything missing (NaN, NaT, NA) is None."""
    return [{str(k): (None if _missing(v) else v) for k, v in row.items()} for row in rows.to_dict("records")]


def record(rows: pd.DataFrame) -> dict[str, Any]:
    return records(rows.iloc[:1])[0]


def _missing(value: Any) -> bool:
    return value is None or (not isinstance(value, (list, dict, tuple)) and bool(pd.isna(value)))
