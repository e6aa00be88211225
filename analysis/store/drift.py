"""Drift of the ovens of an archive: the frames the detection needs, out of the archive, and what people said beside it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.drift.answers import Answer, Record, answered, is_open, record_of
from analysis.drift.calls import BUDGET_PER_100_RUNS, detect, event_moment
from analysis.drift.events import EventReport, reports_of
from analysis.drift.now import EFFORT, EffortNow, ReferenceState, effort_now, reference_results, reference_state
from analysis.drift.outlook import Outlook, outlooks
from analysis.drift.records import Call, OvenDrift
from analysis.store import drift_frames
from analysis.store.drift_frames import Span

if TYPE_CHECKING:
    from ingest.archive import Archive, Connection


@dataclass(frozen=True)
class OvenReport:
    """Everything the pages and the command line say about one oven's drift.

    `answers`: call id -> the newest answer; `reference`: state of its reference runs; `references`: their table;
    `span`: the runs that were looked at.
    """

    oven: str
    drift: OvenDrift
    events: tuple[EventReport, ...]
    effort: tuple[EffortNow, ...]
    outlooks: tuple[Outlook, ...]
    answers: dict[str, Answer]
    record: Record
    reference: ReferenceState
    references: pd.DataFrame
    span: Span

    def open_calls(self) -> list[Call]:
        return [c for c in self.drift.calls if is_open(c, self.answers.get(c.id))]

    def calls_json(self, *, everything: bool = True) -> list[dict[str, Any]]:
        """The items of `drift --json`; `everything` with those that are answered, gone back or ended by an event."""
        shown = self.drift.calls if everything else self.open_calls()
        return [c.to_json() | {"answer": self._answer(c)} for c in shown]

    def _answer(self, call: Call) -> dict[str, Any] | None:
        a = self.answers.get(call.id)
        return None if a is None else {"answer": a.answer, "note": a.note, "who": a.who, "at": a.at}


def oven_names(archive: Archive) -> list[str]:
    """Ovens that have a run, by name."""
    return [
        str(n)
        for n in archive.read("SELECT name FROM oven WHERE oven_id IN (SELECT oven_id FROM run) ORDER BY 1")["name"]
    ]


def oven_report(
    archive: Archive, oven: str, budget_per_100_runs: float | None = None, *, newest: int | None = None
) -> OvenReport:
    """Watch one oven: one reading of the archive, then arithmetic.

    `budget_per_100_runs`: false calls allowed; None: the oven's own setting, else the usual one. `newest`: look at about so
    many of the newest runs only (see `drift_frames.span_of`); None: at all. Raises ArchiveError when there is no such oven;
    ValueError for a budget that is not above 0.
    """
    from ingest.archive import drift_notes, events

    with archive.connect() as con:
        number = oven_number(con, oven)
        span = drift_frames.span_of(con, number, newest)
        runs = drift_frames.run_rows(con, span)
        metrics = drift_frames.metric_rows(con, span)
        margins = drift_frames.margin_rows(con, span)
        tables = drift_frames.set_point_tables(con)
        every_run = con.execute("SELECT run_id AS run, kind, started_at FROM run WHERE oven_id = ?", [number]).df()
        happened = events.list_events(con, number)
        choices = drift_notes.list_choices(con)
        given = drift_notes.list_answers(con, number)
        settings = drift_notes.drift_settings(con)
    own = settings[settings["oven"] == oven]
    every, budget = (
        (None if own.empty or pd.isna(own[c].iloc[0]) else float(own[c].iloc[0]))
        for c in ("reference_every_days", "false_calls_per_100_runs")
    )
    wanted = next(b for b in (budget_per_100_runs, budget, BUDGET_PER_100_RUNS) if b is not None)
    left_out, taken_in = _choices(choices)
    found = detect(
        oven,
        runs,
        metrics,
        happened,
        left_out=left_out,
        taken_in=taken_in,
        margins=margins,
        budget_per_100_runs=wanted,
        tables=tables,
    )
    answers = [_answer({str(k): v for k, v in row.items()}) for row in given.to_dict("records")]
    now = pd.Timestamp.now(tz="UTC")
    return OvenReport(
        oven,
        found,
        tuple(reports_of(oven, found.runs, found.series, _within(happened, found.runs, span), found.calls)),
        tuple(effort_now(found, _why_missing(metrics))),
        tuple(outlooks(found, margins)),
        answered(found.calls, answers),
        record_of(found.calls, answers),
        reference_state(every_run, now, every),
        reference_results(found),
        span,
    )


def _within(happened: pd.DataFrame, runs: pd.DataFrame, span: Span) -> pd.DataFrame:
    """The events to compare before and after: with a span, those since its first run."""
    if span.is_all or happened.empty:
        return happened
    first = pd.to_datetime(runs["started_at"], utc=True).min()
    return happened[pd.Series([event_moment(at) >= first for at in happened["happened_at"]], index=happened.index)]


def oven_number(con: Connection, oven: str) -> int:
    """The number of the oven of this name. Raises ArchiveError when there is none."""
    from ingest.archive import ArchiveError

    row = con.execute("SELECT oven_id FROM oven WHERE name = ?", [oven]).fetchone()
    if row is None:
        raise ArchiveError(f'there is no oven "{oven}"')
    return int(row[0])


def _choices(choices: pd.DataFrame) -> tuple[dict[int, str], dict[int, str]]:
    def of(choice: str) -> dict[int, str]:
        rows = choices[choices["choice"] == choice]
        return {
            int(run): f"by hand: {why}" for run, why in zip(rows["run"].tolist(), rows["why"].tolist(), strict=True)
        }

    return of("left out"), of("taken in")


def _answer(row: dict[str, Any]) -> Answer:
    note, who = (None if pd.isna(row[k]) else str(row[k]) for k in ("note", "who"))
    at = pd.Timestamp(row["answered_at"]).tz_localize("UTC").isoformat()
    return Answer(
        int(row["drift_answer_id"]), str(row["call_id"]), json.loads(row["call"]), str(row["answer"]), note, who, at
    )


def _why_missing(metrics: pd.DataFrame) -> dict[str, str]:
    """Of each effort number, the reason most runs give for not having it."""
    rows = metrics[metrics["metric"].isin(EFFORT) & (metrics["status"] != "ok") & metrics["reason"].notna()]
    if rows.empty:
        return {}
    return {str(name): str(part.mode().iloc[0]) for name, part in rows.groupby("metric")["reason"]}
