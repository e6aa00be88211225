"""What an oven normally does: a frozen, robust baseline over mixed boards, profiles and seasons.

One series of one oven is modelled as

    value = level of its comparison group + ambient and start-temperature effects + scatter

and fitted once, on the first runs of an epoch (from one baseline-restarting event to the next). Group levels and
scatter then stay frozen: a baseline that slides with the oven hides slow drift. Only the two covariate effects keep
learning, and only from differences between runs close together in the same group, where a slow drift cannot enter.

Every prediction carries its *bias*: how far the baseline itself may be off for that run (few runs of the group, ambient
far from what was seen), in units of the scatter. Charts widen by it instead of pretending the baseline is exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift.charts import MEDIAN_RANGE_PAIR

Array = NDArray[np.floating[Any]]

LEARNING_BELOW = 20  # runs; under it only large steps are shown (charts on small baselines are erratic)
FIRM_AT = 40  # runs; then frozen
GROUP_RUNS = 5  # runs a group that appears later needs before its level is taken as known
AMBIENT_SPAN_C = 8.0  # °C of ambient seen before "season" is called separable
PRIOR_AMBIENT = 0.006  # per °C, of the level: +-6 % for a room 10 °C colder is the most a season is known to do
PRIOR_START = 0.003  # per °C, of the level
NEIGHBOUR_RUNS = 10  # differences are taken between runs at most this far apart
HUBER_WIDTH = 1.5


@dataclass(frozen=True)
class Baseline:
    """A fitted baseline. `covariance` is that of the coefficients in units of sigma squared."""

    groups: tuple[str, ...]
    coefficients: Array
    covariance: Array
    sigma: float
    group_sigma: dict[str, float]
    degrees_of_freedom: float
    n: int
    ambient_seen: tuple[float, float] | None
    positions: NDArray[np.int64] = field(repr=False, default_factory=lambda: np.empty(0, dtype=np.int64))

    @property
    def state(self) -> str:
        return "learning" if self.n < LEARNING_BELOW else ("firming" if self.n < FIRM_AT else "firm")

    @property
    def season_separable(self) -> bool:
        return self.ambient_seen is not None and self.ambient_seen[1] - self.ambient_seen[0] >= AMBIENT_SPAN_C


def design(groups: pd.Series, ambient: Array, start: Array, names: tuple[str, ...]) -> Array:
    """Rows of the model: one column a group, then ambient and start temperature less 20 °C.

    A run without the covariate gets 0 for it: the group's level at 20 °C, with the wider bias that goes with it.
    """
    x = np.zeros((len(groups), len(names) + 2))
    place = {name: i for i, name in enumerate(names)}
    for row, name in enumerate(groups):
        if name in place:
            x[row, place[name]] = 1.0
    x[:, -2] = np.where(np.isnan(ambient), 0.0, ambient - 20.0)
    x[:, -1] = np.where(np.isnan(start), 0.0, start - 20.0)
    return x


def fit_baseline(
    values: Array,
    groups: pd.Series,
    ambient: Array,
    start: Array,
    use: NDArray[np.int64],
    until: int,
    level: float,
) -> Baseline:
    """Fit the runs at positions `use`; covariate effects also learn from neighbours among all runs before `until`.

    `level` is the size of the quantity in the unit of `values` (1 for logarithms): the prior of the covariate effects
    is a share of it. Raises ValueError when fewer than 8 present values are given, or fewer than 4 more than there are
    groups: then there is no scatter to judge by.
    """
    use = use[~np.isnan(values[use])]
    names = tuple(dict.fromkeys(groups.iloc[use]))
    if len(use) < 8 or len(use) < len(names) + 4:
        raise ValueError(f"a baseline needs at least 8 runs and 4 more than its groups, got {len(use)} in {len(names)}")
    x = design(groups.iloc[use], ambient[use], start[use], names)
    y = values[use]
    scale = _first_scatter(y, groups.iloc[use].to_numpy())
    p = x.shape[1]
    prior = np.zeros(p)
    prior[-2:] = 1 / (np.array([PRIOR_AMBIENT, PRIOR_START]) * level) ** 2
    later_x, later_y = _neighbour_differences(values, groups, ambient, start, use, until)
    weights = np.ones(len(y))
    coefficients, covariance = np.zeros(p), np.eye(p)
    for _ in range(12):
        information = (x * weights[:, None]).T @ x
        right = (x * weights[:, None]).T @ y
        if len(later_y):
            later_weight = _huber(later_y - later_x @ coefficients[-2:], scale * np.sqrt(2)) / 2
            information[-2:, -2:] += (later_x * later_weight[:, None]).T @ later_x
            right[-2:] += (later_x * later_weight[:, None]).T @ later_y
        information += np.diag(prior) * scale**2
        covariance = np.linalg.inv(information)
        coefficients = covariance @ right
        residual = y - x @ coefficients
        degrees = max(3.0, weights.sum() - len(names) - 1.0)
        scale = max(_scatter(residual, weights, degrees), 1e-9 * level)
        weights = _huber(residual, scale)
    residual = y - x @ coefficients
    degrees = max(3.0, float(weights.sum()) - len(names) - 1.0)
    seen = ambient[use][~np.isnan(ambient[use])]
    return Baseline(
        names,
        coefficients,
        covariance,
        scale,
        _group_scatter(residual, groups.iloc[use].to_numpy(), scale),
        degrees,
        len(use),
        (float(seen.min()), float(seen.max())) if len(seen) else None,
        use,
    )


def predict(baseline: Baseline, groups: pd.Series, ambient: Array, start: Array) -> tuple[Array, Array, Array]:
    """Expected value, scatter and bias (standard error of the expectation, in scatters) of each run.

    Expected is NaN for a run whose group the baseline does not know.
    """
    x = design(groups, ambient, start, baseline.groups)
    known = groups.isin(baseline.groups).to_numpy()
    expected = np.where(known, x @ baseline.coefficients, np.nan)
    bias = np.sqrt(np.einsum("ij,jk,ik->i", x, baseline.covariance, x))
    sigma = np.array([baseline.group_sigma.get(str(g), baseline.sigma) for g in groups])
    return expected, sigma, bias


def _huber(residual: Array, scale: float) -> Array:
    size = np.abs(residual) / max(scale, 1e-300)
    return np.where(size <= HUBER_WIDTH, 1.0, HUBER_WIDTH / np.maximum(size, 1e-300))


def _first_scatter(y: Array, groups: NDArray[np.object_]) -> float:
    ranges = np.concatenate([np.abs(np.diff(y[groups == g])) for g in dict.fromkeys(groups)])
    ranges = ranges[ranges > 0]
    if len(ranges) == 0:
        return max(1e-9, 1e-9 * float(np.abs(y).max()))
    return float(np.median(ranges) / MEDIAN_RANGE_PAIR)


def _scatter(residual: Array, weights: Array, degrees: float) -> float:
    """Huber-weighted standard deviation, made unbiased for normal scatter at width 1.5 (factor by integration)."""
    return float(np.sqrt((weights * residual**2).sum() / degrees) * 1.06)


def _group_scatter(residual: Array, groups: NDArray[np.object_], pooled: float) -> dict[str, float]:
    """Each group's own scatter, drawn to the pooled one as if by ten runs."""
    out = {}
    for g in dict.fromkeys(groups):
        own = np.minimum(np.abs(residual[groups == g]), 3 * pooled)
        out[str(g)] = float(np.sqrt((10 * pooled**2 + (own**2).sum()) / (10 + max(0, len(own) - 1))))
    return out


def _neighbour_differences(
    values: Array, groups: pd.Series, ambient: Array, start: Array, use: NDArray[np.int64], until: int
) -> tuple[Array, Array]:
    """Covariate and value differences of neighbouring runs of one group after the baseline, before `until`."""
    first = int(use.max()) + 1 if len(use) else 0
    rows_x, rows_y = [], []
    last: dict[str, int] = {}
    labels = [str(g) for g in groups]
    for i in range(first, until):
        if np.isnan(values[i]) or np.isnan(ambient[i]):
            continue
        j = last.get(labels[i])
        if j is not None and i - j <= NEIGHBOUR_RUNS:
            begin = 0.0 if np.isnan(start[i]) or np.isnan(start[j]) else start[i] - start[j]
            rows_x.append((ambient[i] - ambient[j], begin))
            rows_y.append(values[i] - values[j])
        last[labels[i]] = i
    if not rows_y:
        return np.empty((0, 2)), np.empty(0)
    return np.array(rows_x), np.array(rows_y)
