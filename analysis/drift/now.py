"""How an oven stands now: its effort numbers against their baseline, its reference runs, and when the next one is due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analysis.drift import change
from analysis.drift.baseline import FEWEST
from analysis.drift.causes import COOLING, DUTY, RAMP_HIGH
from analysis.drift.records import OvenDrift
from analysis.drift.series import BY_NAME
from analysis.drift.view import LEVEL, ROBUST_SHARE

EFFORT = (RAMP_HIGH, DUTY, COOLING)
NEWEST = 10  # runs that stand for "now"
# The published process-control standard for conveyor ovens verifies with a standard vehicle, commonly monthly (from a
# summary of it); a batch oven used daily is better off with a week. Each oven can have its own interval.
REFERENCE_EVERY_DAYS = 30.0


@dataclass(frozen=True)
class EffortNow:
    """One effort number of the newest runs against the baseline of their groups.

    `value`: median of the newest runs, in `unit`; `change`: ratio less 1 with its interval at `level`; `state` of the
    baseline (learning, firming, firm) and its runs. `reason` says why there is none.
    """

    series: str
    label: str
    unit: str
    reason: str | None
    value: float | None = None
    change: float | None = None
    low: float | None = None
    high: float | None = None
    n: int = 0
    state: str = ""
    n_baseline: int = 0
    level: float = LEVEL


def effort_now(found: OvenDrift, why_missing: Mapping[str, str] | None = None) -> list[EffortNow]:
    """The three effort numbers. `why_missing`: series -> what the runs say about a value they do not have."""
    return [_effort(found, name, (why_missing or {}).get(name)) for name in EFFORT]


def _effort(found: OvenDrift, name: str, missing: str | None) -> EffortNow:
    kind = BY_NAME[name]

    def none(why: str) -> EffortNow:
        return EffortNow(name, kind.label, kind.unit, why)

    if not found.epochs:
        return none(found.reason or "no comparable run")
    watched = found.epochs[-1].watched.get((name, None))
    if watched is None:
        return none(
            missing or "measured on fewer than half of the comparable runs, or it scatters too much from run to run"
        )
    if watched.baseline is None:
        return none(watched.reason or "no baseline")
    judged = np.flatnonzero(~np.isnan(watched.expected) & ~np.isnan(watched.values))[-NEWEST:]
    if len(judged) < 3:
        return none(f"{len(judged)} runs since the baseline was learned, 3 needed")
    residual = watched.values[judged] - watched.expected[judged]
    sigma, bias = float(np.median(watched.sigma[judged])), float(np.median(watched.bias[judged]))
    half = change.normal_quantile(LEVEL) * sigma * float(np.hypot(np.sqrt(1 / (ROBUST_SHARE * len(judged))), bias))
    moved = float(np.median(residual))
    value = float(np.median(watched.values[judged]))
    at = [float(np.expm1(v)) if kind.logarithm else v for v in (moved, moved - half, moved + half)]
    return EffortNow(
        name,
        kind.label,
        kind.unit,
        None,
        float(np.exp(value)) if kind.logarithm else value,
        at[0],
        at[1],
        at[2],
        len(judged),
        watched.baseline.state,
        watched.baseline.n,
    )


@dataclass(frozen=True)
class ReferenceState:
    """When the last reference run was and when the next is due. `last_run` None: there is none.

    `overdue_days` above 0: overdue by so many days at `now`. `due` None where no date is known.
    """

    runs: int
    last_run: int | None
    last_at: pd.Timestamp | None
    every_days: float
    due: pd.Timestamp | None
    overdue_days: float | None
    runs_since: int


def reference_state(runs: pd.DataFrame, now: pd.Timestamp, every_days: float | None = None) -> ReferenceState:
    """`runs`: rows of run_overview of one oven (any order); `now` aware."""
    every = REFERENCE_EVERY_DAYS if every_days is None else every_days
    at = pd.to_datetime(runs["started_at"], utc=True)
    is_reference = runs["kind"].eq("reference").to_numpy()
    reference = runs[is_reference].assign(
        at=at[is_reference]
    )  # an empty frame would grow to the length of what it is given
    dated = reference.dropna(subset=["at"]).sort_values(["at", "run"])
    if reference.empty:
        return ReferenceState(0, None, None, every, None, None, len(runs))
    if dated.empty:
        return ReferenceState(len(reference), int(reference["run"].max()), None, every, None, None, 0)
    last = dated.iloc[-1]
    due = last["at"] + pd.Timedelta(days=every)
    return ReferenceState(
        len(reference),
        int(last["run"]),
        last["at"],
        every,
        due,
        (now - due).total_seconds() / 86400.0,
        int((at > last["at"]).sum()),
    )


def reference_results(found: OvenDrift) -> pd.DataFrame:
    """One row a reference run, newest first: run, started_at, left_out, then each effort number with `_change` against
    the baseline of its group (ratio less 1, NaN where not judged)."""
    chosen = np.flatnonzero(found.runs["group"].str.contains(" | reference | ", regex=False).to_numpy())
    columns: dict[str, Any] = {c: found.runs[c].to_numpy()[chosen] for c in ("run", "started_at", "left_out")}
    for name in EFFORT:
        series = found.series.get((name, None))
        kind = BY_NAME[name]
        values = np.full(len(found.runs), np.nan) if series is None else series.values
        columns[name] = (np.exp(values) if kind.logarithm else values)[chosen]
        moved = np.full(len(found.runs), np.nan)
        for epoch in found.epochs:
            watched = epoch.watched.get((name, None))
            if watched is not None and watched.baseline is not None:
                moved[epoch.positions] = watched.values - watched.expected
        columns[name + "_change"] = (np.expm1(moved) if kind.logarithm else moved)[chosen]
    return pd.DataFrame(columns).iloc[::-1].reset_index(drop=True)


def baseline_states(found: OvenDrift) -> list[tuple[str, str]]:
    """(series in words, state) of the epoch that runs now: "firm, 40 runs", or why there is no baseline."""
    if not found.epochs:
        return []
    out = []
    for (name, channel), watched in found.epochs[-1].watched.items():
        label = BY_NAME[name].label if channel is None else f"{channel}: {BY_NAME[name].label}"
        n = 0 if watched.baseline is None else watched.baseline.n
        said = watched.reason if watched.baseline is None else f"{watched.baseline.state}, {n} runs"
        out.append((label, said or f"learning, fewer than {FEWEST} runs"))
    return out
