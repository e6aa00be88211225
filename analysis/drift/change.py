"""Since when, and how much: one change point with an interval, and a robust slope with an interval.

Both are for runs in order, not for dates: an oven ages by being heated. Every estimate travels with its interval,
level, n and method. A step misread as a trend is the classic slip (the Nile volumes pass every trend test):
`step_or_trend` compares both shapes on the same values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.drift.charts import MEDIAN_RANGE_PAIR, moving_range

Array = NDArray[np.floating[Any]]

PLATEAUS = (1.0, 0.75, 0.5, 0.25)  # a slope may have come to rest: share of the runs since its start that it lasted
FEWEST_EACH_SIDE = 5  # runs; a mean of fewer says nothing that the scatter would not


@dataclass(frozen=True)
class ChangePoint:
    """`index` is the first value after the change (0-based). The interval is for the index, at `level`."""

    index: int
    low: int
    high: int
    before: float
    after: float
    size: float
    size_low: float
    size_high: float
    level: float
    n: int
    statistic: float  # likelihood ratio against no change, in units of the noise variance
    method: str = "exact least-squares split, interval from its likelihood"


@dataclass(frozen=True)
class Trend:
    """Slope per value (per run), with interval."""

    slope: float
    low: float
    high: float
    level: float
    n: int
    seed: int
    method: str = "Theil-Sen slope; moving-block bootstrap of the residuals"


def noise_sigma(values: Array) -> float:
    """Scatter of one value about a slowly moving mean: median moving range over 0.954. Needs 3 values."""
    ranges = moving_range(values)
    if len(ranges) < 2:
        raise ValueError(f"the scatter needs at least 3 values, got {len(ranges) + 1}")
    sigma = float(np.median(ranges) / MEDIAN_RANGE_PAIR)
    if sigma == 0:  # more than half of the values repeat: coarse resolution, fall back to the mean range
        sigma = float(ranges.mean() / 1.128379)
    return sigma


def _split_gain(values: Array, margin: int) -> tuple[NDArray[np.int64], Array]:
    """Reduction of the sum of squares for each admissible first index of the second part."""
    n = len(values)
    total = np.cumsum(values)
    k = np.arange(margin, n - margin + 1)
    left = total[k - 1]
    right = total[-1] - left
    return k, left**2 / k + right**2 / (n - k) - total[-1] ** 2 / n


def change_point(
    values: Array, level: float = 0.9, margin: int = FEWEST_EACH_SIDE, sigma: float | None = None
) -> ChangePoint:
    """The single split that fits best, whether or not it is worth believing (compare `statistic` with `penalty`).

    `values`: no missing. The interval of the index keeps every split whose likelihood, normalised over all admissible
    splits, adds up to `level` (most likely first). The interval of the size is normal with the scatter `sigma`
    (estimated from neighbours when None). Raises ValueError with fewer than `2 * margin` values.
    """
    n = len(values)
    if n < 2 * margin:
        raise ValueError(f"a change point needs at least {2 * margin} values, got {n}")
    scatter = noise_sigma(values) if sigma is None else sigma
    scatter = max(scatter, 1e-12 * max(1.0, float(np.abs(values).max())))
    k, gain = _split_gain(values, margin)
    best = int(np.argmax(gain))
    weight = np.exp((gain - gain[best]) / (2 * scatter**2))
    weight /= weight.sum()
    order = np.argsort(-weight)
    kept = k[order[: int(np.searchsorted(np.cumsum(weight[order]), level)) + 1]]
    index = int(k[best])
    before, after = float(values[:index].mean()), float(values[index:].mean())
    half = normal_quantile(level) * scatter * float(np.sqrt(1 / index + 1 / (n - index)))
    size = after - before
    return ChangePoint(
        index, int(kept.min()), int(kept.max()), before, after, size, size - half, size + half, level, n,
        float(gain[best] / scatter**2),
    )  # fmt: skip


def normal_quantile(level: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf(0.5 + level / 2)


def penalty(n: int) -> float:
    """What a split must gain, in noise variances, before it is believed: 2 ln n + 2 ln ln n.

    The maximum of n correlated chi-square variables of one degree of freedom grows as 2 ln ln n; the added 2 ln n is
    the price of the split's place (Yao 1988, Schwarz criterion for a mean shift). In pure noise fewer than 1 series of
    100 runs in 50 passes it (tests simulate this).
    """
    return float(2 * np.log(n) + 2 * np.log(max(np.log(n), 1.0)))


def change_points(values: Array, margin: int = FEWEST_EACH_SIDE) -> list[int]:
    """Indices of the first value after each change, by exact search with the derived penalty (ruptures, full grid)."""
    import ruptures

    n = len(values)
    if n < 2 * margin:
        return []
    scatter = noise_sigma(values)
    if scatter == 0:
        return []
    search = ruptures.Dynp if n <= 60 else ruptures.Pelt
    signal = values / scatter
    if search is ruptures.Pelt:
        found = ruptures.Pelt(model="l2", min_size=margin, jump=1).fit(signal).predict(pen=penalty(n))
        return [int(i) for i in found[:-1]]
    engine = ruptures.Dynp(model="l2", min_size=margin, jump=1).fit(signal)
    best: list[int] = []
    lowest = float(((signal - signal.mean()) ** 2).sum())
    for count in range(1, min(5, n // margin - 1) + 1):
        split = engine.predict(n_bkps=count)
        parts = np.split(signal, split[:-1])
        cost = sum(float(((part - part.mean()) ** 2).sum()) for part in parts) + penalty(n) * count
        if cost < lowest:
            best, lowest = [int(i) for i in split[:-1]], cost
    return best


def slope(
    values: Array, positions: Array | None = None, level: float = 0.9, seed: int = 1, resamples: int = 400
) -> Trend:
    """Theil-Sen slope per run with a moving-block bootstrap interval (blocks of n^(1/3) runs keep short memory).

    `positions`: run numbers or heating hours, default 0, 1, 2, ... Raises ValueError below 8 values.
    """
    n = len(values)
    if n < 8:
        raise ValueError(f"a slope needs at least 8 values, got {n}")
    x = np.arange(n, dtype=float) if positions is None else np.asarray(positions, dtype=float)
    i, j = np.triu_indices(n, 1)
    apart = x[j] - x[i]
    use = apart > 0
    i, j, apart = i[use], j[use], apart[use]

    def theil_sen(y: Array) -> float:
        return float(np.median((y[j] - y[i]) / apart))

    best = theil_sen(values)
    residual = values - best * x
    residual = residual - np.median(residual)
    block = max(2, round(n ** (1 / 3)))
    rng = np.random.default_rng(seed)
    starts = rng.integers(0, n - block + 1, size=(resamples, -(-n // block)))
    picked = residual[(starts[:, :, None] + np.arange(block)).reshape(resamples, -1)[:, :n]]
    slopes = np.array([theil_sen(best * x + row) for row in picked])
    low, high = np.quantile(slopes, [(1 - level) / 2, (1 + level) / 2])
    return Trend(best, float(low), float(high), level, n, seed)


def step_or_trend(values: Array) -> tuple[Literal["step", "trend"], float]:
    """Which shape fits the values better: a level shift, or a slope that starts somewhere.

    Both shapes have two free numbers beside the first level (where, how much), so their sums of squares compare
    directly. The second value is the difference of the sums in noise variances: above 0 for the returned shape.
    """
    n = len(values)
    sigma = noise_sigma(values) if n > 2 else 0.0
    if sigma == 0:
        return "step", 0.0
    _, gain = _split_gain(values, min(FEWEST_EACH_SIDE, max(2, n // 4)))
    dev = values - values.mean()
    total = float(dev @ dev)
    step_cost = total - float(gain.max())
    starts = np.arange(0, max(1, n - 4), max(1, n // 60))
    ramps = np.maximum(0.0, np.arange(n, dtype=float)[:, None] - starts)
    ramps -= ramps.mean(axis=0)
    ramp_cost = total - float(((ramps.T @ dev) ** 2 / (ramps**2).sum(axis=0)).max())
    difference = (step_cost - ramp_cost) / sigma**2
    return ("trend", difference) if difference > 0 else ("step", -difference)


@dataclass(frozen=True)
class Onset:
    """`index` of the first changed value with the interval that holds it at `level`."""

    index: int
    low: int
    high: int
    level: float
    method: str


@dataclass(frozen=True)
class Part:
    """One series for `onset`, at rising run `positions`: values, and the model rows that explain its level without the
    change (group levels, covariates). `penalty`: of each column, in units of one over the values' unit squared; 0 for
    none. `sigma`: a first guess of the scatter of one value, refined from the residuals."""

    positions: NDArray[np.int64]
    values: Array
    rows: Array
    penalty: Array
    sigma: float


def onset(parts: Sequence[Part], shape: str, level: float) -> Onset:
    """When a step or a slope began, from one or several series that changed together; positions in, positions out.

    Each start is tried in a joint least-squares fit with levels and covariates, so that an unsure season or group widens
    the interval. Flat prior over every position of the first part; several series sharpen each other as far as their
    residuals are independent; slow waves in the residuals lessen their weight. A slope may end in a plateau (without
    one, a loss that came to rest would be dated too early). Raises ValueError when a part has no scatter to weigh by.
    """
    starts = parts[0].positions[1:-3]
    if len(starts) == 0 or any(part.sigma <= 0 for part in parts):
        raise ValueError("dating a change needs at least 5 runs and a scatter above 0")
    last = float(parts[0].positions[-1])
    shares = np.array(PLATEAUS if shape == "trend" else (1.0,))
    cost = np.zeros(len(starts) * len(shares))
    residuals = np.full((len(parts), int(last) + 1), np.nan)
    for series, part in enumerate(parts):
        one, residual = _joint_cost(part, _regressors(part, shape, starts, last, shares))
        inside = part.positions <= last
        residuals[series, part.positions[inside]] = residual[inside]
        cost += one
    cost *= _independent_share(residuals)
    weight = np.exp(-(cost - cost.min()) / 2).reshape(len(starts), len(shares)).sum(axis=1)
    weight /= weight.sum()
    order = np.argsort(-weight)
    kept = starts[order[: int(np.searchsorted(np.cumsum(weight[order]), level)) + 1]]
    method = f"exact search for the start of the {shape} over {len(parts)} series, interval from its likelihood"
    return Onset(int(starts[int(np.argmax(weight))]), int(kept.min()), int(kept.max()), level, method)


def better_shape(parts: Sequence[Part]) -> tuple[Literal["step", "trend"], float]:
    """The shape that several series fit better, each with its own best start, and by how much in twice log-likelihood.

    Levels and covariates are fitted beside the change. Slow waves and shared scatter lessen the difference.
    """
    starts = parts[0].positions[1:-3]
    last = float(parts[0].positions[-1])
    total = 0.0
    residuals = np.full((len(parts), int(last) + 1), np.nan)
    for series, part in enumerate(parts):
        fits = []
        for shape in ("step", "trend"):
            shares = np.array(PLATEAUS if shape == "trend" else (1.0,))
            _, residual = _joint_cost(part, _regressors(part, shape, starts, last, shares))
            fits.append((float(residual @ residual), residual))
        step, trend = fits
        best = min(fits, key=lambda f: f[0])[1]
        inside = part.positions <= last
        residuals[series, part.positions[inside]] = best[inside]
        total += len(best) * float(np.log(max(step[0], 1e-300) / max(trend[0], 1e-300))) / _slow_waves(best)
    total *= _independent_share(residuals)
    return ("trend", total) if total > 0 else ("step", -total)


def _regressors(part: Part, shape: str, starts: NDArray[np.int64], last: float, shares: Array) -> Array:
    """One column a start (and plateau share): 0 before it, then 1, or rising by 1 a run up to the plateau."""
    x = part.positions.astype(float)[:, None, None]
    if shape == "trend":
        run_out = np.maximum(1.0, shares[None, :] * (last - starts[:, None] + 1))
        ramp = np.maximum(x - starts[None, :, None].astype(float) + 1.0, 0.0)
        return np.minimum(ramp, run_out[None]).reshape(len(x), -1)
    return np.heaviside(x - starts[None, :, None], 1.0).reshape(len(x), -1)


def _joint_cost(part: Part, regressors: Array) -> tuple[Array, Array]:
    """Twice the negative log-likelihood of each regressor fitted beside the part's own rows, and the best one's residuals.

    Outlying runs are held in at 2.5 scatters.
    """
    model, extra = np.vstack([part.rows, np.diag(np.sqrt(part.penalty))]), len(part.penalty)
    q, _ = np.linalg.qr(model[:, np.abs(model).max(axis=0) > 0])
    padded = np.vstack([regressors, np.zeros((extra, regressors.shape[1]))])
    across = padded - q @ (q.T @ padded)
    size = np.maximum((across**2).sum(axis=0), 1e-12)
    values = residual = part.values
    cost, sigma = np.zeros(regressors.shape[1]), part.sigma
    for _ in range(2):
        y = np.concatenate([values, np.zeros(extra)])
        y = y - q @ (q.T @ y)
        gain = across.T @ y
        cost = np.asarray(float(y @ y) - gain**2 / size)
        best = int(np.argmin(cost))
        residual = (y - across[:, best] * (gain[best] / size[best]))[: len(values)]
        free = max(3, len(values) - q.shape[1] - 1)
        sigma = float(np.sqrt(max((residual**2).sum() / free, (0.3 * part.sigma) ** 2)))
        values = part.values - (residual - np.clip(residual, -2.5 * sigma, 2.5 * sigma))
    return cost / (sigma**2 * _slow_waves(residual)), residual


def _slow_waves(residual: Array) -> float:
    """By how much autocorrelation raises the variance of a mean (Newey & West 1987, Bartlett weights), 1 or more."""
    spread, n = float(residual @ residual), len(residual)
    if spread <= 0:
        return 1.0
    lags = min(12, n // 4)
    r = [float(residual[k:] @ residual[:-k]) / spread for k in range(1, lags + 1)]
    return max(1.0, 1.0 + 2.0 * sum((1 - k / (lags + 1)) * v for k, v in enumerate(r, 1)))


def _independent_share(residuals: Array) -> float:
    """How many independent series some series are worth, over their number: from the eigenvalues of their correlation."""
    together = residuals[:, ~np.isnan(residuals).any(axis=0)]
    if len(together) < 2 or together.shape[1] < 10:
        return 1.0
    eigen = np.linalg.eigvalsh(np.corrcoef(together))
    return float(eigen.sum() ** 2 / (eigen**2).sum()) / len(together)
