"""Metrics of many runs as data frames, for drift, comparison and defect analysis."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

from analysis.results import canonical_parameters

if TYPE_CHECKING:
    import pandas as pd

    from ingest.archive import Archive

_LONG = """
SELECT m.run_id AS run, c.name AS channel, m.metric, m.parameters, m.value, m.uncertainty, m.unit, m.status
FROM metric m
LEFT JOIN channel c ON c.run_id = m.run_id AND c.channel_no = m.channel_no
"""
_RUNS = """
SELECT r.run, r.started_at, r.received_at, r.oven, r.profile, r.setpoint_hash, r.paste, r.alloy, r.jar, r.lot, r.board,
       r.board_revision, r.kind, r.orientation, r.load_count, r.operator, r.firmware, r.ambient_c, r.verdict, r.complete,
       r.danger, n.oven_id, n.profile_id, n.paste_id, n.jar_id, n.board_id
FROM run_overview r JOIN run n ON n.run_id = r.run
"""


def metric_values(
    archive: Archive, metrics: Sequence[str] | None = None, run_ids: Sequence[int] | None = None
) -> pd.DataFrame:
    """Long form: one row a value, in run order.

    Columns `run`, `channel` (name; missing for a value of the run), `metric`, `parameters`, `value`, `uncertainty`
    (expanded, k = 2), `unit`, `status`. Values that could not be given are rows with a missing value and their status.
    """
    where, params = [], []
    if metrics is not None:
        where.append("m.metric IN (SELECT unnest(?::VARCHAR[]))")
        params.append(list(metrics))
    if run_ids is not None:
        numbers = [int(x) for x in run_ids]
        # The range lets DuckDB skip whole row groups, the list picks within them.
        where.append("m.run_id BETWEEN ? AND ? AND m.run_id IN (SELECT unnest(?::INTEGER[]))")
        params += [min(numbers, default=0), max(numbers, default=-1), numbers]
    condition = f"WHERE {' AND '.join(where)}" if where else ""
    return archive.read(f"{_LONG} {condition} ORDER BY m.run_id, m.rowid", params)


def metric_frame(
    archive: Archive, metrics: Sequence[str] | None = None, run_ids: Sequence[int] | None = None
) -> pd.DataFrame:
    """Wide form: one row a run (index `run`), its metadata, and one column a series.

    A series' name is the metric, its parameters where it has any, and the channel where it has one, joined by " | ":
    `peak_c | tc1`, `soak_time_s | {"high_c":200,"low_c":150} | tc1`; `split_series` takes it apart. For every metric of
    several channels there are also `metric | lowest` and `metric | highest` over the channels of the run. Only values of
    status ok are used; a missing entry means there was none. Runs without any value are kept.
    """
    import pandas as pd

    runs = archive.read(f"{_RUNS} ORDER BY run").set_index("run")
    if run_ids is not None:
        runs = runs[runs.index.isin([int(x) for x in run_ids])]
    long = metric_values(archive, metrics, run_ids)
    long = long[(long["status"] == "ok") & long["value"].notna()]
    if long.empty:
        return runs
    base = long["metric"] + long["parameters"].map(lambda text: "" if text == "{}" else f" | {text}")
    channel = long["channel"]
    named = base.where(channel.isna(), base + " | " + channel.fillna(""))
    wide = long.assign(series=named).pivot_table(index="run", columns="series", values="value", aggfunc="first")
    several = long[channel.notna()].assign(base=base)
    ends = several.groupby(["run", "base"])["value"].agg(["min", "max"]).unstack("base")
    low, high = ends["min"].add_suffix(" | lowest"), ends["max"].add_suffix(" | highest")
    return runs.join(pd.concat([wide, low, high], axis=1))


def split_series(name: str) -> tuple[str, str, str | None]:
    """A column of `metric_frame` -> metric, canonical parameters, channel (or "lowest", "highest", or None)."""
    metric, *rest = name.split(" | ")
    parameters = canonical_parameters({})
    if rest and rest[0].startswith("{"):
        parameters = canonical_parameters(json.loads(rest.pop(0)))
    return metric, parameters, " | ".join(rest) or None
