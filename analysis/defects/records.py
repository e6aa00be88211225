"""Inspected runs as the link looks at them: one row a run, its factors beside what was found on its boards.

Two inspections of the same boards (by eye, then by x-ray) see the same defects: per run, board and term the larger count
holds, never the sum. Words of one meaning (`ingest.defect_terms`) are counted together, under the word most used here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.defects.evidence import Factor
from ingest.defect_terms import HIDDEN, canonical


@dataclass(frozen=True)
class ThermalFactor:
    """A metric as a factor. `end`: of a metric with a value a channel, the lowest or highest channel; "" of the run."""

    factor: Factor
    metric: str
    end: str


def _thermal(name: str, label: str, unit: str, metric: str, end: str = "") -> ThermalFactor:
    return ThermalFactor(Factor(name, label, unit, "thermal"), metric, end)


# Few, because every further one costs the others: lower limits look at the coldest channel, upper ones at the hottest.
THERMAL = (
    _thermal("melt_lag_s", "melt lag", "s", "melt_lag_s"),
    _thermal("spread_at_peak_c", "spread at peak", "K", "spread_at_peak_c"),
    _thermal("coldest_peak_c", "coldest peak", "°C", "peak_c", "lowest"),
    _thermal("hottest_peak_c", "hottest peak", "°C", "peak_c", "highest"),
    _thermal("time_above_liquidus_s", "shortest time above liquidus", "s", "time_above_liquidus_s", "lowest"),
    _thermal("soak_time_s", "longest soak", "s", "soak_time_s", "highest"),
    _thermal("ramp_up_max_c_per_s", "steepest ramp up", "°C/s", "ramp_up_max_c_per_s", "highest"),
    _thermal("cooling_rate_max_c_per_s", "steepest cooling", "°C/s", "cooling_rate_max_c_per_s", "highest"),
)
OTHER = (
    Factor("jar_age_days", "days since the jar was opened", "d", "paste"),
    Factor("lot", "paste lot", "", "paste", False),
    Factor("board", "board", "", "board", False),
    Factor("oven", "oven", "", "oven", False),
    Factor("operator", "operator", "", "person", False),
    Factor("ambient_c", "room temperature", "°C", "room"),
)
FACTORS: tuple[Factor, ...] = (*(t.factor for t in THERMAL), *OTHER)
METRICS = tuple(sorted({t.metric for t in THERMAL}))
_ZERO_WHEN_COLD = "time_above_liquidus_s"  # never above liquidus is zero seconds above it, not unknown


def factor_named(name: str) -> Factor | None:
    """A factor by its name or its label."""
    wanted = name.strip().casefold()
    return next((f for f in FACTORS if wanted in (f.name.casefold(), f.label.casefold())), None)


@dataclass(frozen=True)
class DefectRecords:
    """What all questions about defects are asked of.

    `runs`: a row an inspected run: run, started_at, inspected_at, month, week, board, oven, paste, lot, jar, profile,
    operator, orientation, jar_age_days, ambient_c, boards_looked, joints_looked (missing where not said), found (defects
    in all), clean, methods, and a column a thermal factor (missing where not measured or its sensors are in doubt).
    `defects`: run, defect, count. `sides`: run, defect, side, ref_des, count, orientation. `not_looked`: defect -> runs
    whose inspection cannot show it. `not_inspected`: product runs nobody has looked at. `all_runs`: runs in the archive.
    `all_inspected`: inspected runs of the archive, of which `runs` may be a part.
    """

    runs: pd.DataFrame
    defects: pd.DataFrame
    sides: pd.DataFrame
    not_looked: Mapping[str, frozenset[int]]
    not_inspected: int
    all_runs: int
    all_inspected: int

    @property
    def terms(self) -> list[str]:
        """Defects, on most runs first."""
        if self.defects.empty:
            return []
        return [str(t) for t in self.defects.groupby("defect")["run"].nunique().sort_values(ascending=False).index]

    def hits(self, defect: str) -> pd.Series:
        """Per inspected run (index run): the defect's count, only runs whose inspection could show it."""
        blind = self.not_looked.get(defect, frozenset())
        runs = self.runs.loc[~self.runs["run"].isin(blind), "run"]
        mine = self.defects[self.defects["defect"] == defect]
        return mine.groupby("run")["count"].sum().reindex(runs, fill_value=0).astype(int)


def assemble(
    runs: pd.DataFrame,
    inspections: pd.DataFrame,
    metrics: pd.DataFrame,
    doubted: pd.DataFrame,
    zone: str,
    *,
    not_inspected: int | None = None,
    all_runs: int | None = None,
    all_inspected: int | None = None,
) -> DefectRecords:
    """`runs`: all runs with metadata, `opened_at` of the jar (UTC) and `kind`. `inspections`: rows of defect_long.
    `metrics`: run, channel, metric, value, status. `doubted`: run, channel of channels that are not believable.
    With `runs` the inspected ones only, or a part of them, the counts over all runs are given beside.
    """
    looked = inspections[inspections["run"].isin(runs["run"])]
    inspected = runs[runs["run"].isin(looked["run"])].reset_index(drop=True)
    if not_inspected is None:
        product = runs[runs["kind"].isna() | (runs["kind"] == "product")]
        not_inspected = int((~product["run"].isin(looked["run"])).sum())
    defects = _counted(looked)
    frame = with_factors(inspected, metrics, doubted, zone)
    frame = _with_looks(frame, looked, defects)
    return DefectRecords(
        frame,
        defects,
        _sides(looked, runs, defects),
        _blind(looked, defects),
        not_inspected,
        len(runs) if all_runs is None else all_runs,
        len(frame) if all_inspected is None else all_inspected,
    )


def _spelling(terms: pd.Series) -> dict[str, str]:
    """Canonical term -> the word most used here for it."""
    used = terms.dropna().astype(str).str.strip()
    out = {}
    for term, words in used.groupby(used.map(canonical)):
        out[str(term)] = str(words.value_counts().sort_index().idxmax())
    return out


def _named(looked: pd.DataFrame) -> pd.DataFrame:
    rows = looked[looked["defect"].notna() & (looked["count"] > 0)].copy()
    spelling = _spelling(rows["defect"])
    rows["defect"] = [spelling[canonical(str(term).strip())] for term in rows["defect"]]
    rows["serial"] = rows["serial"].astype("string").fillna("")
    return rows


def _counted(looked: pd.DataFrame) -> pd.DataFrame:
    rows = _named(looked)
    if rows.empty:
        return pd.DataFrame(
            {"run": pd.Series(dtype=int), "defect": pd.Series(dtype=str), "count": pd.Series(dtype=int)}
        )
    one = rows.groupby(["run", "serial", "defect", "inspection"], as_index=False)["count"].sum()
    board = one.groupby(["run", "serial", "defect"], as_index=False)["count"].max()
    return board.groupby(["run", "defect"], as_index=False)["count"].sum()


def _sides(looked: pd.DataFrame, runs: pd.DataFrame, defects: pd.DataFrame) -> pd.DataFrame:
    rows = _named(looked)
    rows = rows[rows["run"].isin(defects["run"])]
    # Of several looks at the same boards the one that found most stands for all: sides must not be counted twice.
    totals = rows.groupby(["run", "serial", "inspection"])["count"].sum().reset_index()
    best = totals.sort_values("count").drop_duplicates(["run", "serial"], keep="last")
    rows = rows.merge(best[["run", "serial", "inspection"]], on=["run", "serial", "inspection"])
    rows = rows.merge(runs[["run", "orientation"]], on="run", how="left")
    return rows[["run", "defect", "side", "ref_des", "count", "orientation"]].reset_index(drop=True)


def _blind(looked: pd.DataFrame, defects: pd.DataFrame) -> dict[str, frozenset[int]]:
    """A method that cannot see a defect and never found one here says nothing about it."""
    out = {}
    found_by = _named(looked)
    for defect in defects["defect"].unique():
        methods = HIDDEN.get(canonical(str(defect)))
        if methods is None:
            continue
        seeing = {*methods, *found_by.loc[found_by["defect"] == defect, "method"]}
        able = set(looked.loc[looked["method"].isin(seeing), "run"])
        out[str(defect)] = frozenset(int(r) for r in set(looked["run"]) - able)
    return out


def _with_looks(frame: pd.DataFrame, looked: pd.DataFrame, defects: pd.DataFrame) -> pd.DataFrame:
    per_look = looked.drop_duplicates("inspection")
    grouped = per_look.groupby("run")

    def largest(column: str) -> pd.Series:
        # Boards looked at one by one (serials) add up; several looks at the same boards do not.
        by_board = per_look.assign(serial=per_look["serial"].astype("string").fillna(""))
        most = by_board.groupby(["run", "serial"])[column].max()
        return most.groupby("run").sum(min_count=1)

    frame["boards_looked"] = largest("boards_looked").reindex(frame["run"]).to_numpy(dtype=float, na_value=np.nan)
    frame["joints_looked"] = largest("joints_looked").reindex(frame["run"]).to_numpy(dtype=float, na_value=np.nan)
    frame["inspected_at"] = grouped["inspected_at"].max().reindex(frame["run"]).to_numpy()
    methods: dict[int, set[str]] = {}
    for run, method in zip(per_look["run"].tolist(), per_look["method"].tolist(), strict=True):
        methods.setdefault(run, set()).add(str(method))
    frame["methods"] = [", ".join(sorted(methods[run])) for run in frame["run"].tolist()]
    found = defects.groupby("run")["count"].sum()
    frame["found"] = found.reindex(frame["run"], fill_value=0).to_numpy(dtype=np.int64)
    frame["clean"] = frame["found"] == 0
    return frame


def with_factors(frame: pd.DataFrame, metrics: pd.DataFrame, doubted: pd.DataFrame, zone: str) -> pd.DataFrame:
    frame = frame.copy()
    started = pd.to_datetime(frame["started_at"])
    opened = pd.to_datetime(frame["opened_at"])
    age = (started - opened).dt.total_seconds() / 86400
    frame["jar_age_days"] = age.where(age > -1).clip(
        lower=0
    )  # opened on the day of the run may be noted as a later hour
    local = started.dt.tz_localize("UTC").dt.tz_convert(zone)
    frame["month"] = local.dt.strftime("%Y-%m").where(started.notna(), None)
    frame["week"] = local.dt.strftime("%G-W%V").where(started.notna(), None)
    values = _believable(metrics[metrics["run"].isin(frame["run"])], doubted)
    for thermal in THERMAL:
        rows = values[values["metric"] == thermal.metric]
        per_run = rows.groupby("run")["value"]
        one = (
            per_run.max() if thermal.end == "highest" else per_run.min() if thermal.end == "lowest" else per_run.first()
        )
        frame[thermal.factor.name] = one.reindex(frame["run"]).to_numpy(dtype=float, na_value=np.nan)
    return frame


def _believable(metrics: pd.DataFrame, doubted: pd.DataFrame) -> pd.DataFrame:
    values = metrics.copy()
    cold = (values["metric"] == _ZERO_WHEN_COLD) & (values["status"] == "not reached")
    values.loc[cold, "value"] = 0.0
    values = values[(cold | (values["status"] == "ok")) & values["value"].notna()]
    if doubted.empty:
        return values
    pairs = set(zip(doubted["run"], doubted["channel"], strict=True))
    of_channel = values["channel"].notna()
    bad = np.array([pair in pairs for pair in zip(values["run"], values["channel"], strict=True)], dtype=bool)
    # A value of the whole run (spread, melt lag) rests on all its channels.
    return values[np.where(of_channel, ~bad, ~values["run"].isin(doubted["run"]))]


def plain_value(value: Any) -> Any:
    """None for everything missing."""
    return None if value is None or bool(pd.isna(value)) else value
