"""When would the margin be used up, if it goes on as now? A range in runs and heating hours, or a refusal with its reason.

Refused when: fewer than 20 comparable runs; the slope's interval includes zero; a step lies inside the fit; the answer
lies farther away than the history is long. Elements often end by breaking, not by fading: a forecast of wear is not a
forecast of failure.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.drift import change

Array = NDArray[np.floating[Any]]

FEWEST_RUNS = 20
LEVEL = 0.9


@dataclass(frozen=True)
class Forecast:
    """Runs from now until the margin reaches zero: most likely, and the interval's ends (high None: open-ended).

    `hours_*` are the same in heating hours. `refused` says why there is none.
    """

    metric: str
    unit: str
    refused: str | None
    margin_now: float | None = None
    slope_per_run: float | None = None
    runs_low: float | None = None
    runs: float | None = None
    runs_high: float | None = None
    hours_low: float | None = None
    hours: float | None = None
    hours_high: float | None = None
    n: int = 0
    level: float = LEVEL
    seed: int = 1
    method: str = "Theil-Sen slope of the margin with a moving-block bootstrap"


def forecast_margin(metric: str, unit: str, margins: Array, heating_h: Array, seed: int = 1) -> Forecast:
    """Forecast one margin series of one comparison group, in run order.

    `margins` [unit], positive inside; `heating_h` [h]: heating hours at each run. Missing values are left out.
    """
    present = ~np.isnan(margins)
    y, hours = margins[present], heating_h[present]
    n = len(y)

    def refuse(why: str) -> Forecast:
        return Forecast(metric, unit, why, n=n, seed=seed)

    if n < FEWEST_RUNS:
        return refuse(f"{n} comparable runs, {FEWEST_RUNS} needed")
    split = change.change_point(y, LEVEL)
    if split.statistic > change.penalty(n) and change.step_or_trend(y)[0] == "step":
        return refuse(f"a step of {split.size:+.2g} {unit} lies inside the fit: the slope would be that of the step")
    trend = change.slope(y, level=LEVEL, seed=seed)
    if trend.low <= 0 <= trend.high:
        return refuse("no slope can be told from none: its interval includes zero")
    now = float(np.median(y) + trend.slope * ((n - 1) - (n - 1) / 2))
    if trend.slope > 0:
        return refuse("the margin grows")
    if now <= 0:
        return refuse("the margin is used up already")
    middle, early, late = (now / -s if s < 0 else np.inf for s in (trend.slope, trend.low, trend.high))
    if middle > n:
        return refuse(f"the answer lies beyond {n} runs from now, farther than the history is long")
    per_run = float((hours[-1] - hours[0]) / max(1, n - 1))
    finite = None if np.isinf(late) or late > 5 * n else float(late)
    return Forecast(
        metric,
        unit,
        None,
        now,
        trend.slope,
        float(early),
        float(middle),
        finite,
        float(early) * per_run,
        float(middle) * per_run,
        None if finite is None else finite * per_run,
        n,
        LEVEL,
        seed,
    )
