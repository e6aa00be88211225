"""One watched series of one oven, run by run: standardised, charted, and called when the budget is spent.

The statistic of a run is its distance from the baseline in scatters, turned from Student's t to a normal by its
probability (self-starting statistics after Quesenberry 1993), then held within +-3.5 so that one wild run cannot call a
drift. Two charts read it:

* CUSUM with allowance 0.5 scatters plus the baseline's own doubt for the runs of late: slow drift and lasting shifts;
* individuals, two of three runs beyond the width on one side: large steps, also while the baseline is still learning.

Both limits come from one budget of false calls, split over the series watched. Autocorrelation in the baseline shortens
run lengths, so the limits grow with it. Nothing here looks ahead: what is charted for a run depends on that run and
earlier ones only, so that a call is made when a person watching would have had it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.drift import charts, run_length
from analysis.drift.baseline import (
    FEWEST,
    FIRM_AT,
    GROUP_RUNS,
    LEARNING_BELOW,
    Baseline,
    Places,
    Setting,
    fit_baseline,
    neighbours,
    predict,
)
from analysis.drift.remembered import Prefix, Remembered

Array = NDArray[np.floating[Any]]

ALLOWANCE = 0.5  # scatters: tuned to a shift of one scatter, the smallest worth a trip to the oven
HELD_WITHIN = 3.5  # scatters
CUSUM_SHARE = 0.7  # of a series' budget; the rest goes to the individuals
EWMA_WEIGHT = 0.1  # of the newest run in the line that is drawn; the calls are CUSUM's
MIX_WEIGHT = 0.1  # of the newest run in "the mix of late", over which the baseline's doubt is averaged
DOUBT_WIDTH = 1.28  # standard errors of the baseline's own error that are allowed for: its one-sided 90 % point
BEND = (
    0.06  # scatters per °C outside the rooms of the baseline; half a scatter at 8 °C, the span that makes it separable
)
REFIT_SHARE = 1.12  # a learning baseline is fitted anew when it has grown by this
STEPS_KEPT = 8192  # of some kB each: six series of a dozen ovens with 1,000 runs in their span
REFIT_RUNS = 20  # and a frozen one every so many runs, for the covariate effects only


@dataclass(frozen=True)
class Alarm:
    """A signal of a chart. `index` and `since` are positions in the series; `side` +1 or -1."""

    chart: str  # "cusum" | "individuals"
    index: int
    since: int
    side: int


@dataclass(frozen=True)
class Watched:
    """A series with its baseline and its charts; arrays as long as the series, NaN where not judged.

    `expected`, `sigma` in the unit of `values`; `z`, `cusum_*`, `ewma` and all limits in scatters. `baseline` is the
    last fit, `autocorrelation` that of the baseline's residuals (0 when it is not told from none).
    """

    values: Array
    expected: Array
    sigma: Array
    bias: Array
    z: Array
    ewma: Array
    cusum_high: Array
    cusum_low: Array
    cusum_limit: Array
    individuals_width: Array
    doubt: Array
    baseline: Baseline | None
    autocorrelation: float | None
    reason: str | None  # why nothing was judged

    def alarms(self, quiet_until: int = 0) -> Iterator[Alarm]:
        """Every run at which a chart signals, in order. A sum above its limit signals at every run while it lasts.

        Before `quiet_until` nothing signals and the sums start anew there.
        """
        yield from _alarms(self, quiet_until)


@lru_cache(maxsize=256)
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
    values: Array, setting: Setting, budget_per_100_runs: float, series: int, level: float = 1.0
) -> Watched:
    """Chart one series over one epoch, in run order. NaN values are runs that cannot speak for this series.

    `level`: the size of the quantity in the unit of `values`; 1 for logarithms.
    """
    n = len(values)
    blank = np.full(n, np.nan)
    limit, width = series_limits(budget_per_100_runs, series)
    limits, widths = np.full(n, limit), np.full(n, width)
    present = np.flatnonzero(~np.isnan(values))

    def nothing(why: str) -> Watched:
        return Watched(
            values, blank, blank, blank, blank, blank, blank, blank, limits, widths, np.zeros(n), None, None, why
        )

    if len(present) < FEWEST:
        return nothing(f"{len(present)} comparable runs with this value, {FEWEST} needed")
    expected, sigma, bias, doubt, degrees = (blank.copy() for _ in range(5))
    baseline: Baseline | None = None
    r1 = 0.0
    mix = np.zeros(len(setting.names) + setting.covariates.shape[1])
    pairs = neighbours(values, setting)
    so_far = Prefix(values, setting, level)
    for use, rows in _fits(present, setting):
        step = STEPS.get_or(so_far.key(rows), partial(_step, values, setting, use, rows, level, pairs, mix))
        if step is None:
            continue
        baseline, r1, mix = step.baseline, step.autocorrelation, step.mix
        expected[rows], sigma[rows], bias[rows], doubt[rows] = step.expected, step.sigma, step.bias, step.doubt
        degrees[rows] = baseline.degrees_of_freedom
        stretch = np.sqrt((1 + r1) / (1 - min(0.6, r1)))
        limits[rows[0] :], widths[rows[0] :] = limit * stretch, width * np.sqrt(stretch)
    if baseline is None:
        return nothing("the runs are spread over too many comparison groups to learn any of them")
    with np.errstate(invalid="ignore"):
        z = standardise((values - expected) / (sigma * np.sqrt(1 + bias**2)), degrees)
    held = np.clip(z, -HELD_WITHIN, HELD_WITHIN)
    begin = int(present[min(LEARNING_BELOW, len(present) - 1)])
    high, low, _, _ = _sums(held, np.nan_to_num(doubt), begin)
    smooth = charts.ewma((values - expected) / sigma, EWMA_WEIGHT, 0.0)  # for the eye: not held in
    smooth[np.isnan(z)] = np.nan
    return Watched(
        values, expected, sigma, bias, z, smooth, high, low, limits, widths, np.nan_to_num(doubt), baseline, r1, None
    )


@dataclass(frozen=True)
class _Step:
    """One fit and what it says about the runs after it, in the order of these; `mix` as it stands after them."""

    baseline: Baseline
    expected: Array
    sigma: Array
    bias: Array
    doubt: Array
    mix: Array
    autocorrelation: float


STEPS: Remembered[_Step | None] = Remembered(STEPS_KEPT)


def _step(
    values: Array,
    setting: Setting,
    use: Places,
    rows: Places,
    level: float,
    pairs: tuple[Places, Places],
    mix: Array,
) -> _Step | None:
    """The fit of the runs `use` and its word on `rows`; None where they are too few for a fit. Looks at nothing later."""
    try:
        baseline = fit_baseline(values, setting, use, int(rows[0]), level, pairs)
    except ValueError:
        return None
    here = setting.at(rows)
    doubt, mix = _doubt_of_the_mix(baseline, here, mix)
    return _Step(baseline, *predict(baseline, here), doubt, mix, _baseline_autocorrelation(values, baseline, setting))


def standardise(t: Array, degrees: Array) -> Array:
    """Student-t distances as the normal distances of the same probability; far tails stay finite."""
    from scipy.special import ndtri, stdtr

    tail = np.maximum(stdtr(degrees, -np.abs(t)), 1e-15)
    return np.where(np.isnan(t), np.nan, np.copysign(-ndtri(tail), t))


def _fits(present: Places, setting: Setting) -> Iterator[tuple[Places, Places]]:
    """(runs to fit, runs to predict with it) from the ninth run on: each run is judged by runs before it only.

    The frozen set: the first FIRM_AT runs, and the first runs of each group that appears later.
    """
    codes = setting.codes[present]
    rank = np.zeros(len(present), dtype=np.int64)  # how many runs of the same group came before
    seen = np.zeros(len(setting.names), dtype=np.int64)
    for i, code in enumerate(codes):
        rank[i] = seen[code]
        seen[code] += 1
    inside = (np.arange(len(present)) < FIRM_AT) | (rank < GROUP_RUNS)
    fitted, due = 0, FEWEST
    start = FEWEST
    for i in range(FEWEST, len(present) + 1):
        grown = int(inside[:i].sum())
        learning = i <= FIRM_AT
        extra = i > FIRM_AT and grown > fitted
        if i == len(present) or (learning and i >= due) or extra or i - start >= REFIT_RUNS:
            if i > start:
                yield present[:start][inside[:start]], present[start:i]
            start, fitted = i, grown
            due = max(i + 1, int(np.ceil(i * REFIT_SHARE)))


def _doubt_of_the_mix(baseline: Baseline, setting: Setting, mix: Array) -> tuple[Array, Array]:
    """What the baseline may be off [scatters], averaged over the mix of runs of late, run by run.

    Errors of the levels of different groups partly cancel in a sum over a mixed diet of runs; an error that stays, as on
    one board for weeks or in an unknown cold room, does not. `mix` is the moving average of the model's rows, kept
    over all groups of the setting so that it outlives a refit.
    """
    rows, all_groups = baseline.rows(setting), len(baseline.column)
    far = _beyond_room_seen(baseline, setting)
    out = np.empty(len(rows))
    known = np.flatnonzero(baseline.column >= 0)
    order = known[np.argsort(baseline.column[known])]
    for i, code in enumerate(setting.codes):
        mix = (1 - MIX_WEIGHT) * mix
        mix[code] += MIX_WEIGHT
        mix[all_groups:] += MIX_WEIGHT * setting.covariates[i]
        share = np.concatenate([mix[order], mix[all_groups:]])
        total = float(mix[order].sum())
        share = share / total if total > 0 else rows[i]
        out[i] = DOUBT_WIDTH * np.sqrt(share @ baseline.covariance @ share) + far[i]
    return out, mix


def _beyond_room_seen(baseline: Baseline, setting: Setting) -> Array:
    """Doubt [scatters] for a room colder or warmer than the baseline's runs had: a straight line may bend out there."""
    if baseline.ambient_seen is None:
        return np.zeros(len(setting))
    low, high = baseline.ambient_seen
    beyond = np.nan_to_num(np.maximum(low - setting.ambient, setting.ambient - high))
    return BEND * np.maximum(0.0, beyond)


def _baseline_autocorrelation(values: Array, baseline: Baseline, setting: Setting) -> float:
    at = baseline.positions[:FIRM_AT]
    expected, sigma, _ = predict(baseline, setting.at(at))
    residual = np.clip((values[at] - expected) / sigma, -3, 3)
    if len(residual) < 12 or float(residual.std()) == 0:
        return 0.0
    r1 = charts.autocorrelation(residual) + 1 / len(residual)  # small-sample bias of r1 is -1/n
    return r1 if r1 > 1.64 / np.sqrt(len(residual)) else 0.0


def _sums(z: Array, doubt: Array, begin: int) -> tuple[Array, Array, Places, Places]:
    """Both one-sided sums from `begin` on, and where each run up to now began."""
    n = len(z)
    high, low = np.full(n, np.nan), np.full(n, np.nan)
    high_since, low_since = np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64)
    up = down = 0.0
    up_from = down_from = begin
    for i in np.flatnonzero(~np.isnan(z[begin:])) + begin:
        allowance = ALLOWANCE + doubt[i]
        if up <= 0:
            up_from = i
        if down <= 0:
            down_from = i
        up = max(0.0, up + z[i] - allowance)
        down = max(0.0, down - z[i] - allowance)
        high[i], low[i], high_since[i], low_since[i] = up, down, up_from, down_from
    return high, low, high_since, low_since


def cusum_alarms(z: Array, doubt: Array, limit: Array, begin: int) -> Iterator[Alarm]:
    """Every run at which one of the sums of `z` stands above its limit, from `begin` on."""
    high, low, high_since, low_since = _sums(z, doubt, begin)
    with np.errstate(invalid="ignore"):
        over = np.flatnonzero(np.fmax(high, low) > limit)
    for i in over.tolist():
        up = bool(high[i] > low[i])
        yield Alarm("cusum", i, int(high_since[i] if up else low_since[i]), 1 if up else -1)


def _alarms(w: Watched, quiet_until: int) -> Iterator[Alarm]:
    if w.baseline is None:
        return
    present = np.flatnonzero(~np.isnan(w.values))
    held = np.clip(w.z, -HELD_WITHIN, HELD_WITHIN)
    begin = max(quiet_until, int(present[min(LEARNING_BELOW, len(present) - 1)]))
    sums = {alarm.index: alarm for alarm in cusum_alarms(held, w.doubt, w.cusum_limit, begin)}
    beyond: list[tuple[int, int]] = []
    for i in np.flatnonzero(~np.isnan(w.z)).tolist():
        if i < quiet_until:
            continue
        width = min(w.individuals_width[i], HELD_WITHIN - 1e-9)
        side = int(np.sign(held[i])) if abs(held[i]) > width else 0
        beyond = [*beyond[-2:], (i, side)]
        hits = [place for place, s in beyond if s == side and side != 0]
        if i in sums:
            yield sums[i]
        elif len(hits) >= 2:
            yield Alarm("individuals", i, hits[0], side)
