"""Drift of the ovens of an archive: the frames the detection needs, out of the archive, and what people said beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis.drift.answers import Answer, Record, answered, is_open, record_of
from analysis.drift.calls import BUDGET_PER_100_RUNS, detect
from analysis.drift.events import EventReport, event_reports
from analysis.drift.now import EFFORT, EffortNow, ReferenceState, effort_now, reference_results, reference_state
from analysis.drift.outlook import Outlook, outlooks
from analysis.drift.records import Call, OvenDrift
from analysis.drift.series import METRICS_NEEDED
from analysis.quantities import QUANTITIES

if TYPE_CHECKING:
    from ingest.archive import Archive, Connection

# A channel that one of these says is no thermometer of the work has no value to chart; offset, drift and placement are
# what drift is about and stay in.
NO_THERMOMETER = ("stuck", "twin", "reversed", "open", "wrong_scale")

_RUNS = """
SELECT r.*, p.placements FROM run_overview r
LEFT JOIN (SELECT run_id, string_agg(name || ' at ' || placement, ',' ORDER BY name) AS placements FROM channel
           WHERE role = 'temperature' AND placement IS NOT NULL GROUP BY run_id) p ON p.run_id = r.run
WHERE r.oven = ? ORDER BY r.run
"""
_METRICS = """
SELECT m.run_id AS run, c.name AS channel, m.metric, m.value, m.status, m.reason
FROM metric m JOIN run r USING (run_id) JOIN oven o USING (oven_id)
LEFT JOIN channel c ON c.run_id = m.run_id AND c.channel_no = m.channel_no
WHERE o.name = ? AND m.metric IN (SELECT unnest(?::VARCHAR[])) AND (c.judged IS NULL OR c.judged)
  AND NOT EXISTS (SELECT 1 FROM finding_row f WHERE f.run_id = m.run_id AND f.channel_no = m.channel_no
                  AND f.state = 'fail' AND f.code IN (SELECT unnest(?::VARCHAR[])))
ORDER BY m.run_id, m.rowid
"""
_MARGINS = """
SELECT l.run_id AS run, l.metric, l.low, l.high, l.unit AS limit_unit, l.margin
FROM limit_result l JOIN run r USING (run_id) JOIN oven o USING (oven_id)
WHERE o.name = ? AND l.margin IS NOT NULL ORDER BY l.run_id, l.rowid
"""


@dataclass(frozen=True)
class OvenReport:
    """Everything the pages and the command line say about one oven's drift.

    `answers`: call id -> the newest answer; `reference`: state of its reference runs; `references`: their table;
    `metrics`: rows of metric_long it was made from.
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
        str(n) for n in archive.read("SELECT DISTINCT oven FROM run_overview WHERE oven IS NOT NULL ORDER BY 1")["oven"]
    ]


def oven_report(archive: Archive, oven: str, budget_per_100_runs: float | None = None) -> OvenReport:
    """Watch one oven: one reading of the archive, then arithmetic.

    `budget_per_100_runs`: false calls allowed; None: the oven's own setting, else the usual one. Raises ArchiveError when
    there is no such oven; ValueError for a budget that is not above 0.
    """
    from ingest.archive import ArchiveError, drift_notes, events

    with archive.connect() as con:
        row = con.execute("SELECT oven_id FROM oven WHERE name = ?", [oven]).fetchone()
        if row is None:
            raise ArchiveError(f'there is no oven "{oven}"')
        runs = con.execute(_RUNS, [oven]).df()
        metrics = con.execute(_METRICS, [oven, list(METRICS_NEEDED), list(NO_THERMOMETER)]).df()
        margins = _margins(con, oven)
        happened = events.list_events(con, int(row[0]))
        choices = drift_notes.list_choices(con)
        given = drift_notes.list_answers(con, int(row[0]))
        settings = drift_notes.drift_settings(con)
    own = settings[settings["oven"] == oven]
    every, budget = (
        (None if own.empty or pd.isna(own[c].iloc[0]) else float(own[c].iloc[0]))
        for c in ("reference_every_days", "false_calls_per_100_runs")
    )
    wanted = next(b for b in (budget_per_100_runs, budget, BUDGET_PER_100_RUNS) if b is not None)
    left_out, taken_in = _choices(choices)
    found = detect(
        oven, runs, metrics, happened, left_out=left_out, taken_in=taken_in, margins=margins, budget_per_100_runs=wanted
    )
    answers = [_answer({str(k): v for k, v in row.items()}) for row in given.to_dict("records")]
    now = pd.Timestamp.now(tz="UTC")
    return OvenReport(
        oven,
        found,
        tuple(event_reports(oven, runs, metrics, happened, left_out, taken_in, found.calls)),
        tuple(effort_now(found, _why_missing(metrics))),
        tuple(outlooks(found, margins)),
        answered(found.calls, answers),
        record_of(found.calls, answers),
        reference_state(runs, now, every),
        reference_results(found),
    )


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


def _margins(con: Connection, oven: str) -> pd.DataFrame:
    rows = con.execute(_MARGINS, [oven]).df()
    words = [
        limit_in_words(str(m), low, high)
        for m, low, high in zip(rows["metric"], rows["low"], rows["high"], strict=True)
    ]
    unit = rows["limit_unit"].replace({"°C": "K"})
    return pd.DataFrame({"run": rows["run"], "limit": words, "margin": rows["margin"], "unit": unit})


def limit_in_words(metric: str, low: float | None, high: float | None) -> str:
    """ "peak, 235 to 250 °C": the limit a margin is measured to."""
    quantity = QUANTITIES.get(metric)
    label, unit = (quantity.label, quantity.unit) if quantity else (metric, "")
    ends: Sequence[str] = [f"{v:g}" for v in (low, high) if v is not None and not pd.isna(v)]
    if len(ends) == 2:
        return f"{label}, {ends[0]} to {ends[1]} {unit}"
    side = "at least" if low is not None and not pd.isna(low) else "at most"
    return f"{label}, {side} {ends[0] if ends else '?'} {unit}"
