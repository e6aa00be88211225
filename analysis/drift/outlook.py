"""Which margins to forecast for an oven, and what is said about them: one honest line where nothing can be forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.drift.forecast import FEWEST_RUNS, Forecast, forecast_margin
from analysis.drift.records import OPEN, Call, OvenDrift

RECENT_DAYS = 60.0  # whose pace turns runs into weeks


@dataclass(frozen=True)
class Outlook:
    """A forecast, or its refusal, of one limit in one comparison group. `runs_per_week`: of the oven of late, if dated."""

    limit: str
    group: str
    forecast: Forecast
    since_run: int
    runs_per_week: float | None

    @property
    def text(self) -> str:
        f = self.forecast
        if f.refused is not None:
            return f"{self.limit}: no forecast, because {f.refused}"
        until = "open-ended" if f.runs_high is None else f"{f.runs_high:.0f}"
        hours = "" if f.hours_low is None else f", {f.hours_low:.0f} to {_open(f.hours_high)} hours of heating"
        weeks = ""
        if self.runs_per_week and f.runs_low is not None:
            high = None if f.runs_high is None else f.runs_high / self.runs_per_week
            weeks = f", {f.runs_low / self.runs_per_week:.0f} to {_open(high)} weeks at the pace of late"
        return (
            f"{self.limit}: the margin of {f.margin_now:.1f} {f.unit} is used up in {f.runs_low:.0f} to {until} runs of this "
            f"group (most likely about {f.runs:.0f}){hours}{weeks}, if it goes on as since run {self.since_run}"
        )

    def to_json(self) -> dict[str, Any]:
        f = self.forecast
        return {
            "limit": self.limit,
            "group": self.group,
            "since_run": self.since_run,
            "refused": f.refused,
            "margin_now": f.margin_now,
            "unit": f.unit,
            "slope_per_run": f.slope_per_run,
            "runs": f.runs,
            "runs_interval": None if f.refused else [f.runs_low, f.runs_high],
            "heating_hours_interval": None if f.refused else [f.hours_low, f.hours_high],
            "n": f.n,
            "level": f.level,
            "method": f.method,
            "seed": f.seed,
        }


def outlooks(found: OvenDrift, margins: pd.DataFrame | None) -> list[Outlook]:
    """Forecasts of an oven's margins, soonest first.

    With an open trend: every limit of every group with enough runs since it began. Without: the smallest margin of the
    group with most runs, alone, so that looking at many does not make one of them slope by chance. `margins`: run,
    limit (in words), margin [unit], unit.
    """
    if margins is None or margins.empty or not found.epochs:
        return []
    epoch = found.epochs[-1]
    frame = found.runs.iloc[epoch.positions]
    rows = margins.merge(frame[["run", "group", "heating_h"]], on="run").sort_values("heating_h", kind="stable")
    if rows.empty:
        return []
    pace = _runs_per_week(frame)
    trends = [c for c in found.calls if c.kind == "trend" and c.state == OPEN and c.closed_by is None]
    if not trends:
        group = rows.groupby("group")["run"].nunique().idxmax()
        part = rows[rows["group"] == group]
        label = part.groupby("limit")["margin"].median().idxmin()
        return [_outlook(str(label), str(group), part[part["limit"] == label], int(frame["run"].iloc[0]), pace)]
    since = _began(trends, frame)
    later = rows[rows["run"].isin(frame["run"].iloc[since:])]
    made = [
        _outlook(str(label), str(group), part, int(frame["run"].iloc[since]), pace)
        for (group, label), part in later.groupby(["group", "limit"], sort=True)
        if len(part) >= FEWEST_RUNS
    ]
    if not made:
        most = int(later.groupby(["group", "limit"])["run"].count().max()) if len(later) else 0
        refused = Forecast(
            "", "", f"at most {most} comparable runs of one group since the trend began, {FEWEST_RUNS} needed"
        )
        return [Outlook("margins", "", refused, int(frame["run"].iloc[since]), pace)]
    given = sorted((o for o in made if o.forecast.refused is None), key=lambda o: o.forecast.runs or np.inf)
    return given + [o for o in made if o.forecast.refused is not None]


def _outlook(label: str, group: str, part: pd.DataFrame, since: int, pace: float | None) -> Outlook:
    unit = str(part["unit"].iloc[0])
    values = part["margin"].to_numpy(dtype=float)
    made = forecast_margin(label, unit, values, part["heating_h"].to_numpy(dtype=float))
    return Outlook(label, group, made, since, pace)


def _began(trends: Sequence[Call], frame: pd.DataFrame) -> int:
    numbers = frame["run"].tolist()
    return min(numbers.index(c.since_run) for c in trends if c.since_run in numbers) if trends else 0


def _runs_per_week(frame: pd.DataFrame) -> float | None:
    at = pd.to_datetime(frame["started_at"], utc=True).dropna()
    if len(at) < 2:
        return None
    recent = at[at >= at.max() - pd.Timedelta(days=RECENT_DAYS)]
    return float(len(recent) / (RECENT_DAYS / 7.0))


def _open(high: float | None) -> str:
    return "an open number of" if high is None else f"{high:.0f}"
