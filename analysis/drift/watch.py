"""One watched series of one oven, run by run: standardised, charted, and called when the budget is spent.

The statistic of a run is its distance from the baseline in scatters, turned from Student's t to a normal by its
probability (self-starting statistics after Quesenberry 1993), then held within +-3.5 so that one wild run cannot call a
drift. Two charts read it:

* CUSUM with allowance 0.5 scatters plus the baseline's own bias for that run: slow drift and lasting shifts;
* individuals, two of three runs beyond the width on one side: large steps, also while the baseline is still learning.

Both limits come from one budget of false calls, split over the series watched. Autocorrelation in the baseline shortens
run lengths, so the limits grow with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift import charts, run_length
from analysis.drift.baseline import FIRM_AT, GROUP_RUNS, LEARNING_BELOW, Baseline, fit_baseline, predict

Array = NDArray[np.floating[Any]]

ALLOWANCE = 0.5  # scatters: tuned to a shift of one scatter, the smallest worth a trip to the oven
HELD_WITHIN = 3.5  # scatters
FEWEST = 8  # runs before anything is judged
CUSUM_SHARE = 0.7  # of a series' budget; the rest goes to the individuals


@dataclass(frozen=True)
class Alarm:
    """The first signal of a chart. `index` and `since` are positions in the series; `side` +1 or -1."""

    chart: str  # "cusum" | "individuals"
    index: int
    since: int
    side: int


@dataclass(frozen=True)
class Watched:
    """A series with its baseline and its charts; arrays as long as the series, NaN where not judged."""

    values: Array
    expected: Array
    sigma: Array
    bias: Array
    z: Array
    cusum_high: Array
    cusum_low: Array
    cusum_limit: float
    individuals_width: float
    baseline: Baseline | None
    autocorrelation: float | None
    alarm: Alarm | None
    reason: str | None  # why nothing was judged


def series_limits(budget_per_100_runs: float, series: int) -> tuple[float, float]:
    """CUSUM limit and two-of-three width [scatters] for one of `series` series sharing the oven's budget.

    Two of three runs beyond the width on one side: for a tail probability q a run signals with about 2 x 2 q^2.
    """
    from scipy.special import ndtri

    rate = budget_per_100_runs / 100.0 / max(1, series)
    limit = run_length.cusum_limit(ALLOWANCE, round(1 / (CUSUM_SHARE * rate), 1))
    tail = np.sqrt((1 - CUSUM_SHARE) * rate / 4)
    return limit, float(-ndtri(tail))


def watch_series(
    values: Array,
    groups: pd.Series,
    ambient: Array,
    start: Array,
    budget_per_100_runs: float,
    series: int,
    level: float = 1.0,
    quiet_until: int = 0,
) -> Watched:
    """Chart one series over one epoch, in run order. NaN values are runs that cannot speak for this series.

    `level`: the size of the quantity in the unit of `values`; 1 for logarithms. Before position `quiet_until` no alarm
    is given and the sums start anew there: an earlier alarm was looked into and did not hold.
    """
    n = len(values)
    blank = np.full(n, np.nan)
    limit, width = series_limits(budget_per_100_runs, series)
    present = np.flatnonzero(~np.isnan(values))
    if len(present) < FEWEST:
        return Watched(values, blank, blank, blank, blank, blank, blank, limit, width, None, None, None,
                       f"{len(present)} comparable runs with this value, {FEWEST} needed")  # fmt: skip
    expected, sigma, bias, z = blank.copy(), blank.copy(), blank.copy(), blank.copy()
    baseline: Baseline | None = None
    fitted_for = -1
    for i in present[FEWEST:]:
        use = _baseline_positions(present, groups, int(i))
        if len(use) != fitted_for or i % 10 == 0:
            try:
                baseline = fit_baseline(values, groups, ambient, start, use, int(i), level)
            except ValueError:
                continue
            fitted_for = len(use)
        if baseline is None:
            continue
        here = slice(int(i), int(i) + 1)
        e, s, b = predict(baseline, groups.iloc[here], ambient[here], start[here])
        expected[i], sigma[i], bias[i] = e[0], s[0], b[0]
        if not np.isnan(e[0]):
            z[i] = standardise((values[i] - e[0]) / (s[0] * np.sqrt(1 + b[0] ** 2)), baseline.degrees_of_freedom)
    if baseline is None:
        return Watched(values, blank, blank, blank, blank, blank, blank, limit, width, None, None, None,
                       "the runs are spread over too many comparison groups to learn any of them")  # fmt: skip
    r1 = _baseline_autocorrelation(values, baseline, groups, ambient, start)
    stretch = np.sqrt((1 + max(0.0, r1)) / (1 - min(0.6, max(0.0, r1))))
    limit, width = limit * stretch, width * np.sqrt(stretch)
    held = np.clip(z, -HELD_WITHIN, HELD_WITHIN)
    begin = max(quiet_until, int(present[min(LEARNING_BELOW, len(present) - 1)]))
    high, low, alarm = _charts(held, np.nan_to_num(bias), limit, width, begin, quiet_until)
    return Watched(values, expected, sigma, bias, z, high, low, float(limit), float(width), baseline, r1, alarm, None)


def standardise(t: float, degrees: float) -> float:
    """A Student-t distance as the normal distance of the same probability; far tails stay finite."""
    from scipy.special import ndtri, stdtr

    tail = max(float(stdtr(degrees, -abs(t))), 1e-15)
    return float(np.copysign(-ndtri(tail), t))


def _baseline_positions(present: NDArray[np.int64], groups: pd.Series, before: int) -> NDArray[np.int64]:
    """The frozen set: the first FIRM_AT runs, and the first runs of each group that appears later."""
    past = present[present < before]
    first = past[:FIRM_AT]
    if len(past) <= FIRM_AT:
        return first
    labels = [str(g) for g in groups]
    extra: list[int] = []
    seen: dict[str, int] = {}
    for i in first:
        seen[labels[i]] = seen.get(labels[i], 0) + 1
    for i in past[FIRM_AT:]:
        if seen.get(labels[i], 0) < GROUP_RUNS:
            seen[labels[i]] = seen.get(labels[i], 0) + 1
            extra.append(int(i))
    return np.concatenate([first, np.array(extra, dtype=np.int64)])


def _baseline_autocorrelation(
    values: Array, baseline: Baseline, groups: pd.Series, ambient: Array, start: Array
) -> float:
    at = baseline.positions
    e, s, _ = predict(baseline, groups.iloc[at], ambient[at], start[at])
    residual = np.clip((values[at] - e) / s, -3, 3)
    if len(residual) < 12 or float(residual.std()) == 0:
        return 0.0
    r1 = charts.autocorrelation(residual) + 1 / len(residual)  # small-sample bias of r1 is -1/n
    return r1 if r1 > 1.64 / np.sqrt(len(residual)) else 0.0


def _charts(
    z: Array, bias: Array, limit: float, width: float, cusum_from: int, quiet_until: int
) -> tuple[Array, Array, Alarm | None]:
    n = len(z)
    high, low = np.full(n, np.nan), np.full(n, np.nan)
    up = down = 0.0
    up_from = down_from = 0
    beyond: list[tuple[int, int]] = []
    alarm: Alarm | None = None
    for i in range(n):
        if np.isnan(z[i]):
            continue
        side = int(np.sign(z[i])) if abs(z[i]) > min(width, HELD_WITHIN - 1e-9) else 0
        if i >= quiet_until:
            beyond = [*beyond[-2:], (i, side)]
        if i >= cusum_from:
            allowance = ALLOWANCE + bias[i]
            if up <= 0:
                up_from = i
            if down <= 0:
                down_from = i
            up = max(0.0, up + z[i] - allowance)
            down = max(0.0, down - z[i] - allowance)
            high[i], low[i] = up, down
            if alarm is None and max(up, down) > limit:
                alarm = Alarm("cusum", i, up_from if up > down else down_from, 1 if up > down else -1)
        hits = [place for place, s in beyond if s == side and side != 0]
        if alarm is None and len(hits) >= 2 and side != 0:
            alarm = Alarm("individuals", i, hits[0], side)
    return high, low, alarm
