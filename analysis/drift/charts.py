"""Control charts as formulas: individuals, moving range, EWMA, CUSUM, Hotelling's T-squared.

Arrays in, arrays out; no archive and no page. A missing value (NaN) leaves every statistic where it was and can never
signal. "Standard deviation" is always that of one value when nothing has changed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

D2_PAIR = 1.128379  # expected range of two standard normals, 2/sqrt(pi); NIST/SEMATECH e-Handbook 6.3.2.2 prints 1.128
D4_PAIR = 3.266532  # upper three-sigma factor of the mean range of two
MEDIAN_RANGE_PAIR = 0.953873  # median of |N(0, 2)|: sqrt(2) x 0.67449


@dataclass(frozen=True)
class IndividualsLimits:
    """Centre and three-sigma limits of single values, and the upper limit of their moving range."""

    centre: float
    low: float
    high: float
    moving_range_mean: float
    moving_range_high: float
    sigma: float
    n: int


def moving_range(values: Array) -> Array:
    """Absolute difference of neighbours; missing values are skipped over. Length: present values less one."""
    present = values[~np.isnan(values)]
    return np.abs(np.diff(present))


def individuals_limits(values: Array, width: float = 3.0) -> IndividualsLimits:
    """Limits for single values from the mean moving range (NIST/SEMATECH e-Handbook 6.3.2.2).

    `width` in standard deviations. Raises ValueError below two present values: no range, no limits.
    """
    present = values[~np.isnan(values)]
    if len(present) < 2:
        raise ValueError(f"individuals limits need at least 2 values, got {len(present)}")
    mean_range = float(moving_range(present).mean())
    sigma = mean_range / D2_PAIR
    centre = float(present.mean())
    return IndividualsLimits(
        centre, centre - width * sigma, centre + width * sigma, mean_range, D4_PAIR * mean_range, sigma, len(present)
    )


def robust_centre_and_sigma(values: Array) -> tuple[float, float]:
    """Median, and sigma from the median moving range (unmoved by one wild run or by a slow slope).

    Raises ValueError below three present values.
    """
    present = values[~np.isnan(values)]
    if len(present) < 3:
        raise ValueError(f"a robust baseline needs at least 3 values, got {len(present)}")
    return float(np.median(present)), float(np.median(moving_range(present)) / MEDIAN_RANGE_PAIR)


def ewma(values: Array, weight: float, start: float) -> Array:
    """Exponentially weighted moving average; `weight` of the newest value in (0, 1], `start` before the first.

    NIST/SEMATECH e-Handbook 6.3.2.4.
    """
    if not 0 < weight <= 1:
        raise ValueError(f"the weight must lie above 0 and at most at 1, got {weight}")
    out = np.empty(len(values))
    state = start
    for i, value in enumerate(values):
        if not np.isnan(value):
            state = weight * value + (1 - weight) * state
        out[i] = state
    return out


def ewma_half_width(weight: float, width: float, sigma: float, n: Array | None = None) -> Array | float:
    """Half-width of the EWMA limits: asymptotic, or exact for the n-th value (counted from 1) when `n` is given."""
    asymptotic = width * sigma * np.sqrt(weight / (2 - weight))
    if n is None:
        return float(asymptotic)
    return asymptotic * np.sqrt(1 - (1 - weight) ** (2 * np.asarray(n, dtype=float)))


@dataclass(frozen=True)
class Cusum:
    """Both one-sided sums of the tabular CUSUM, and where each run up to now began (index of its first value)."""

    high: Array
    low: Array
    high_since: NDArray[np.int64]
    low_since: NDArray[np.int64]


def cusum(values: Array, target: float, allowance: float, start: float = 0.0) -> Cusum:
    """Tabular two-sided CUSUM (NIST/SEMATECH e-Handbook 6.3.2.3). `allowance` in the values' unit.

    `start` above 0 is the head start of a fast initial response.
    """
    n = len(values)
    high, low = np.empty(n), np.empty(n)
    high_since, low_since = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    up = down = start
    up_from = down_from = 0
    for i, value in enumerate(values):
        if not np.isnan(value):
            if up <= 0:
                up_from = i
            if down <= 0:
                down_from = i
            up = max(0.0, up + value - target - allowance)
            down = max(0.0, down + target - value - allowance)
        high[i], low[i], high_since[i], low_since[i] = up, down, up_from, down_from
    return Cusum(high, low, high_since, low_since)


def hotelling_t2(rows: Array) -> Array:
    """T-squared of each row against the mean and covariance of all rows; rows x variables, no missing values.

    NIST/SEMATECH e-Handbook 6.5.4.1 gives mean and covariance; the values sum to (n - 1) p.
    Raises ValueError when there are not more rows than variables.
    """
    n, p = rows.shape
    if n <= p:
        raise ValueError(f"T-squared of {p} variables needs more than {p} rows, got {n}")
    centred = rows - rows.mean(axis=0)
    covariance = centred.T @ centred / (n - 1)
    return np.einsum("ij,ij->i", centred @ np.linalg.inv(covariance), centred)


def autocorrelation(values: Array, lag: int = 1) -> float:
    """Sample autocorrelation at `lag`; NaN-free input. Tables of run lengths assume it is near zero."""
    centred = values - values.mean()
    return float((centred[lag:] * centred[:-lag]).sum() / (centred**2).sum())
