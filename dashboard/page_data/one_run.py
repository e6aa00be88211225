"""One run with everything derived from it and everything noted about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.results import Limit, LimitResult
from dashboard.page_data.book import Book, kept
from dashboard.page_data.rows import record, records
from ingest.recording import Recording

if TYPE_CHECKING:
    from analysis.curve_shape import Shape
    from analysis.oven_model import OvenModel


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
