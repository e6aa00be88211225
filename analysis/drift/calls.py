"""From one oven's runs to its calls: what moved, since when, how much, why, and the one check to do first.

The road: comparable runs in order -> epochs between baseline-restarting events -> four to six watched series -> first
alarm -> shape and date on the leading series -> effect on every series -> causes. Series that one call explains do not
call again for it; after a step they are watched on against their new level, after a trend they stay quiet until a named
event restarts the baseline.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift import causes as cause_table
from analysis.drift import groups
from analysis.drift.records import Call, Epoch, Key, OvenDrift
from analysis.drift.series import Series, build_series, choose_watched
from analysis.drift.view import View
from analysis.drift.watch import FEWEST, Watched

BUDGET_PER_100_RUNS = 0.5  # false calls per 100 runs and oven the limits are set for; the promise is at most 1
MOST_CALLS = 8  # per epoch; an oven with more is not in a state that charts can describe


def detect(
    oven: str,
    runs: pd.DataFrame,
    metrics: pd.DataFrame,
    events: pd.DataFrame | None = None,
    *,
    left_out: Mapping[int, str] | None = None,
    budget_per_100_runs: float = BUDGET_PER_100_RUNS,
) -> OvenDrift:
    """Watch one oven.

    `runs`: rows of run_overview of this oven; `metrics`: their rows of metric_long (`series.METRICS_NEEDED`);
    `events`: rows of oven_event. Never raises on thin data: `reason` says what is missing.
    """
    frame = groups.comparable_runs(runs, metrics, dict(left_out or {}))
    series = build_series(frame["run"].tolist(), metrics)
    usable = frame["left_out"].isna().to_numpy()
    if int(usable.sum()) < FEWEST:
        reason = f"{int(usable.sum())} comparable runs, {FEWEST} needed before anything can be said"
        return OvenDrift(oven, (), (), frame, series, reason)
    chosen = choose_watched(series, usable)
    if not chosen:
        return OvenDrift(oven, (), (), frame, series, "no watched value could be measured on half of the runs")
    calls: list[Call] = []
    epochs: list[Epoch] = []
    for positions, opened_by, closed_by in _epochs(frame, usable, events):
        epoch, found = _watch_epoch(oven, frame, series, chosen, positions, opened_by, closed_by, budget_per_100_runs)
        epochs.append(epoch)
        calls += found
    return OvenDrift(oven, tuple(calls), tuple(epochs), frame, series, None)


def _epochs(
    frame: pd.DataFrame, usable: NDArray[np.bool_], events: pd.DataFrame | None
) -> list[tuple[NDArray[np.int64], str | None, str | None]]:
    edges: list[tuple[int, str]] = []
    if events is not None and len(events):
        dates = pd.to_datetime(frame["started_at"], utc=True).ffill()
        for event in events.sort_values("happened_at").itertuples():
            if bool(event.restarts_baseline):
                at = pd.Timestamp(str(event.happened_at))
                at = at.tz_localize("UTC") if at.tzinfo is None else at
                edges.append((int((dates < at).sum()), f"{event.kind} on {at:%Y-%m-%d}"))
    starts = [(0, None), *edges]
    out = []
    for i, (begin, name) in enumerate(starts):
        end, closed = edges[i] if i < len(edges) else (len(frame), None)
        positions = np.flatnonzero(usable[begin:end]) + begin
        if len(positions):
            out.append((positions.astype(np.int64), name, closed))
    return out


def _watch_epoch(
    oven: str,
    frame: pd.DataFrame,
    series: Mapping[Key, Series],
    chosen: Sequence[Key],
    positions: NDArray[np.int64],
    opened_by: str | None,
    closed_by: str | None,
    budget: float,
) -> tuple[Epoch, list[Call]]:
    view = View(frame, series, positions)
    begin: dict[Key, int | None] = dict.fromkeys(series, 0)
    quiet: dict[Key, int] = dict.fromkeys(chosen, 0)
    watched: dict[Key, Watched] = {}
    first: dict[Key, Watched] = {}
    calls: list[Call] = []
    while len(calls) < MOST_CALLS:
        alarms = []
        for key in chosen:
            start = begin[key]
            if start is None:
                continue
            if key not in watched:
                watched[key] = view.watch(key, start, budget, len(chosen), quiet[key])
                first.setdefault(key, watched[key])
            alarm = watched[key].alarm
            if alarm is not None:
                alarms.append((alarm.index + start, key, alarm, start))
        if not alarms:
            break
        at, key, alarm, start = min(alarms, key=lambda a: a[0])
        watched.pop(key)
        if any(_explains(call, key, alarm.side, int(view.run[at])) for call in calls):
            begin[key] = None
            continue
        call, moved, settled = view.describe(oven, key, begin, at, alarm.since + start, alarm.chart, closed_by)
        if call is None:  # looked into with every run up to now, and it did not hold
            quiet[key] = at + 1 - start
            continue
        calls.append(call)
        for other in {key, *moved}:
            begin[other], quiet[other] = settled, 0
            watched.pop(other, None)
    return Epoch(positions, first, opened_by), calls


def _explains(call: Call, key: Key, side: int, run: int) -> bool:
    """True when the call's first cause says that this series moves this way from then on."""
    signature = cause_table.SIGNATURES.get(call.causes[0].cause) if call.causes else None
    expected = signature.moves.get(key[0], "0") if signature else "0"
    same = (call.series, call.channel) == key
    return not same and run >= call.since_run and (expected == "any" or expected == ("+" if side > 0 else "-"))
