"""The rows that one oven's drift is worked out from: all its runs, or a span of the newest ones."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.drift.series import METRICS_NEEDED
from analysis.quantities import QUANTITIES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ingest.archive import Connection

# A channel that one of these says is no thermometer of the work has no value to chart; offset, drift and placement are
# what drift is about and stay in.
NO_THERMOMETER = ("stuck", "twin", "reversed", "open", "wrong_scale")

# The order of analysis.drift.groups: a run without a date stays behind the dated run before it.
_ORDER = """
SELECT run_id FROM
(SELECT run_id, last_value(started_at IGNORE NULLS) OVER (ORDER BY run_id) AS moment FROM run WHERE oven_id = ?)
ORDER BY moment NULLS FIRST, run_id
"""
# Run numbers: the range lets DuckDB skip whole row groups, the list picks within them.
_AMONG = "BETWEEN $low AND $high AND {run} IN (SELECT unnest($runs::INTEGER[]))"
_RUNS = f"""
SELECT r.*, p.placements FROM run_overview r
LEFT JOIN (SELECT run_id, string_agg(name || ' at ' || placement, ',' ORDER BY name) AS placements FROM channel
           WHERE role = 'temperature' AND placement IS NOT NULL AND run_id BETWEEN $low AND $high GROUP BY run_id) p
       ON p.run_id = r.run
WHERE r.run {_AMONG.format(run="r.run")} ORDER BY r.run
"""
_METRICS = f"""
SELECT m.run_id AS run, c.name AS channel, m.metric, m.value, m.status, m.reason
FROM metric m LEFT JOIN channel c ON c.run_id = m.run_id AND c.channel_no = m.channel_no
WHERE m.run_id {_AMONG.format(run="m.run_id")}
  AND m.metric IN (SELECT unnest($metrics::VARCHAR[])) AND (c.judged IS NULL OR c.judged)
  AND NOT EXISTS (SELECT 1 FROM finding_row f WHERE f.run_id = m.run_id AND f.channel_no = m.channel_no
                  AND f.state = 'fail' AND f.code IN (SELECT unnest($doubted::VARCHAR[])))
ORDER BY m.run_id, m.rowid
"""
_MARGINS = f"""
SELECT run_id AS run, metric, low, high, unit AS limit_unit, margin FROM limit_result
WHERE run_id {_AMONG.format(run="run_id")} AND margin IS NOT NULL ORDER BY run_id, rowid
"""


@dataclass(frozen=True)
class Span:
    """Runs `numbers` of an oven in the order they are watched in: the newest of `of` runs, or all."""

    numbers: NDArray[np.int64]
    of: int

    @property
    def is_all(self) -> bool:
        return len(self.numbers) == self.of

    def among(self) -> dict[str, Any]:
        """The parameters that pick these runs in a query."""
        low, high = (int(self.numbers.min()), int(self.numbers.max())) if len(self.numbers) else (0, -1)
        return {"low": low, "high": high, "runs": self.numbers.tolist()}


def span_of(con: Connection, oven_id: int, newest: int | None = None) -> Span:
    """The oven's runs in order: all, or from `newest` to one and a half times as many of the newest ones.

    The span begins anew only every `newest` / 2 runs, not with every run: its first runs are its baseline, and a baseline
    that slid along with the oven would hide what it is there to show.
    """
    runs = con.execute(_ORDER, [oven_id]).fetchnumpy()["run_id"].astype(np.int64)
    if newest is None or len(runs) <= newest:
        return Span(np.asarray(runs), len(runs))
    step = max(1, newest // 2)
    begin = (len(runs) - newest) // step * step
    return Span(np.asarray(runs[begin:]), len(runs))


def run_rows(con: Connection, span: Span) -> pd.DataFrame:
    """Rows of run_overview with `placements`, in the order of run numbers."""
    return con.execute(_RUNS, span.among()).df()


def metric_rows(con: Connection, span: Span) -> pd.DataFrame:
    """Rows of METRICS_NEEDED of channels that are believed: run, channel, metric, value, status, reason."""
    asked = {**span.among(), "metrics": list(METRICS_NEEDED), "doubted": list(NO_THERMOMETER)}
    return con.execute(_METRICS, asked).df()


def margin_rows(con: Connection, span: Span) -> pd.DataFrame:
    """Margins to each limit: run, limit (in words), margin, unit."""
    rows = con.execute(_MARGINS, span.among()).df()
    limits = rows[["metric", "low", "high"]].drop_duplicates()
    words = limits.assign(
        limit=[
            limit_in_words(str(m), low, high)
            for m, low, high in zip(limits["metric"], limits["low"], limits["high"], strict=True)
        ]
    )
    named = rows.merge(words, on=["metric", "low", "high"], how="left")
    unit = rows["limit_unit"].replace({"°C": "K"})
    return pd.DataFrame({"run": rows["run"], "limit": named["limit"], "margin": rows["margin"], "unit": unit})


def set_point_tables(con: Connection) -> dict[str, list[list[float]]]:
    """Set-point hash -> corner points (elapsed s, set point °C) of every profile that was seen with set points."""
    rows = con.execute(
        "SELECT setpoint_hash, setpoint_table FROM profile WHERE setpoint_hash IS NOT NULL AND setpoint_table IS NOT NULL"
    ).fetchall()
    tables = {str(version): json.loads(table) for version, table in rows}
    return {version: table for version, table in tables.items() if _is_table(table)}


def _is_table(table: Any) -> bool:
    return isinstance(table, list) and all(isinstance(row, list) and len(row) == 2 for row in table) and bool(table)


def limit_in_words(metric: str, low: float | None, high: float | None) -> str:
    """ "peak, 235 to 250 °C": the limit a margin is measured to."""
    quantity = QUANTITIES.get(metric)
    label, unit = (quantity.label, quantity.unit) if quantity else (metric, "")
    ends = [f"{v:g}" for v in (low, high) if v is not None and not pd.isna(v)]
    if len(ends) == 2:
        return f"{label}, {ends[0]} to {ends[1]} {unit}"
    side = "at least" if low is not None and not pd.isna(low) else "at most"
    return f"{label}, {side} {ends[0] if ends else '?'} {unit}"


# Every table the drift of an oven is read from, with what picks the oven's part of it.
_DIGESTED = (
    # What run_overview is made of, without its joins, which take longer than all the rest.
    *(f"(SELECT * FROM {table} WHERE run_id {_AMONG.format(run='run_id')})" for table in ("run", "evaluation")),
    *(f"(SELECT * FROM {table})" for table in ("board", "profile", "paste", "jar")),
    f"(SELECT run_id, channel_no, name, role, judged, placement FROM channel WHERE run_id {_AMONG.format(run='run_id')})",
    "(SELECT rowid, run_id, channel_no, metric, value, status, reason FROM metric "
    f"WHERE run_id {_AMONG.format(run='run_id')} AND metric IN (SELECT unnest($metrics::VARCHAR[])))",
    f"(SELECT run_id, channel_no, state, code FROM finding_row WHERE run_id {_AMONG.format(run='run_id')})",
    f"(SELECT rowid, run_id, metric, low, high, unit, margin FROM limit_result WHERE run_id {_AMONG.format(run='run_id')})",
    "(SELECT run_id, kind, started_at FROM run WHERE oven_id = $oven)",
    "(SELECT * FROM event WHERE oven_id = $oven)",
    "(SELECT * FROM drift_answer WHERE oven_id = $oven)",
    "(SELECT * FROM comparison_choice)",
    "(SELECT * FROM drift_setting WHERE oven_id = $oven)",
    "(SELECT * FROM oven WHERE oven_id = $oven)",
)


def digest_of(con: Connection, oven_id: int, newest: int | None = None) -> tuple[int, ...]:
    """A number a table over every row that `oven_report` reads for this oven and span: as long as they stay the same, so
    does its report."""
    span = span_of(con, oven_id, newest)
    parts = [f"(SELECT [count(*)::HUGEINT, sum(hash(t))::HUGEINT] FROM {table} t)" for table in _DIGESTED]
    asked = {**span.among(), "metrics": list(METRICS_NEEDED), "oven": oven_id}
    row = con.execute(f"SELECT {', '.join(parts)}", asked).fetchone()
    return (span.of, len(span.numbers), *(int(number or 0) for pair in row or () for number in pair))
