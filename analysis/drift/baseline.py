"""What an oven normally does: a frozen, robust baseline over mixed boards, profiles and seasons.

One series of one oven is modelled as

    value = level of its comparison group + ambient, residual-heat and orientation effects + scatter

and fitted once, on the first runs of an epoch (from one baseline-restarting event to the next). Group levels and
scatter then stay frozen: a baseline that slides with the oven hides slow drift. Only the covariate effects keep
learning, and only from differences between runs close together in the same group, where a slow drift cannot enter.

Every prediction carries its *bias*: how far the baseline itself may be off for that run (few runs of the group, ambient
far from what was seen), in units of the scatter. Charts widen by it instead of pretending the baseline is exact.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.drift.charts import MEDIAN_RANGE_PAIR

Array = NDArray[np.floating[Any]]
Places = NDArray[np.int64]

LEARNING_BELOW = 20  # runs; under it only large steps are shown (charts on small baselines are erratic)
FIRM_AT = 40  # runs; then frozen
GROUP_RUNS = 5  # runs a group that appears later needs before its level is taken as known
FEWEST = 8  # runs before anything is judged
AMBIENT_SPAN_C = 8.0  # °C of ambient seen before "season" is called separable
# How much a covariate may do, as one standard deviation of the prior and a share of the quantity's level.
PRIOR_AMBIENT = 0.006  # per °C: +-6 % for a room 10 °C colder is the most a season is known to do
PRIOR_START = 0.003  # per °C that the oven starts above the room
PRIOR_TURNED = 0.15  # by turning the board: 3 K in the difference of two channels at peak (level 20 K)
NEIGHBOUR_RUNS = 10  # differences are taken between runs at most this far apart
HUBER_WIDTH = 1.5
# Huber-weighted scatter of normal residuals is low by this: sqrt of the integral of psi(x) x over the normal, width 1.5
HUBER_SCATTER = 1.06


@dataclass(frozen=True)
class Setting:
    """What the runs of a series were made under, in run order.

    `codes` comparison group of each run, an index into `names`; `covariates` (runs, 2 + boards turned): ambient less
    20 °C, start above ambient, then +1 or -1 for a board that lies one way or the other; 0 where unknown. `prior`: one
    standard deviation of each covariate's effect as a share of the level. `ambient` [°C] NaN where unknown.
    """

    codes: Places
    names: tuple[str, ...]
    ambient: Array
    covariates: Array
    prior: Array

    def __len__(self) -> int:
        return len(self.codes)

    def with_room(self, share: float) -> Setting:
        """The same with another prior of the room's effect: `share` of the usual one."""
        prior = self.prior.copy()
        prior[0] *= share
        return Setting(self.codes, self.names, self.ambient, self.covariates, prior)

    def since(self, start: int) -> Setting:
        return self if start == 0 else self.at(slice(start, None))

    def at(self, rows: Places | slice) -> Setting:
        return Setting(self.codes[rows], self.names, self.ambient[rows], self.covariates[rows], self.prior)


def setting_of(groups: Sequence[str], ambient: Array, start: Array, turned: dict[str, Array] | None = None) -> Setting:
    """Group labels, ambient and start temperature [°C] as a Setting. `turned`: board -> +1, -1 or 0 a run.

    A run without a covariate gets 0 for it: the group's level at 20 °C, with the wider bias that goes with it.
    """
    names = tuple(dict.fromkeys(groups))
    place = {name: i for i, name in enumerate(names)}
    room = np.where(np.isnan(ambient), 0.0, ambient - 20.0)
    heat = np.where(np.isnan(ambient) | np.isnan(start), 0.0, start - ambient)
    columns = [room, heat, *(turned or {}).values()]
    prior = np.array([PRIOR_AMBIENT, PRIOR_START, *[PRIOR_TURNED] * (len(columns) - 2)])
    codes = np.array([place[name] for name in groups], dtype=np.int64)
    return Setting(codes, names, ambient, np.column_stack(columns), prior)


@dataclass(frozen=True)
class Baseline:
    """A fitted baseline. `covariance` is that of the coefficients (known groups, then covariates) in sigma squared."""

    groups: tuple[str, ...]
    column: Places  # column of each group of the setting, -1 unknown
    coefficients: Array
    covariance: Array
    sigma: float
    group_sigma: Array  # of each group of the setting
    degrees_of_freedom: float
    n: int
    ambient_seen: tuple[float, float] | None
    positions: Places = field(repr=False)

    @property
    def state(self) -> str:
        return "learning" if self.n < LEARNING_BELOW else ("firming" if self.n < FIRM_AT else "firm")

    @property
    def season_separable(self) -> bool:
        return self.ambient_seen is not None and self.ambient_seen[1] - self.ambient_seen[0] >= AMBIENT_SPAN_C

    def rows(self, setting: Setting) -> Array:
        """Rows of the model for the runs of `setting`; zero in the group columns for a group it does not know."""
        x = np.zeros((len(setting), len(self.coefficients)))
        column = self.column[setting.codes]
        known = np.flatnonzero(column >= 0)
        x[known, column[known]] = 1.0
        x[:, len(self.groups) :] = setting.covariates
        return x


def neighbours(values: Array, setting: Setting) -> tuple[Places, Places]:
    """Pairs of neighbouring runs of one group with a value and a known ambient: positions (later, earlier)."""
    present = np.flatnonzero(~np.isnan(values) & ~np.isnan(setting.ambient))
    order = present[np.argsort(setting.codes[present], kind="stable")]
    later, earlier = order[1:], order[:-1]
    close = (setting.codes[later] == setting.codes[earlier]) & (later - earlier <= NEIGHBOUR_RUNS)
    return later[close], earlier[close]


def fit_baseline(
    values: Array,
    setting: Setting,
    use: Places,
    until: int,
    level: float,
    pairs: tuple[Places, Places] | None = None,
) -> Baseline:
    """Fit the runs at positions `use`; covariate effects also learn from neighbours among all runs before `until`.

    `level` is the size of the quantity in the unit of `values` (1 for logarithms): the prior of the covariate effects
    is a share of it. `pairs`: `neighbours` of the same series, if it is known already. Raises ValueError when fewer
    than 8 present values are given, or fewer than 4 more than there are groups: then there is no scatter to judge by.
    """
    use = use[~np.isnan(values[use])]
    codes = setting.codes[use]
    known = _in_order_of_appearance(codes)
    count, p = len(known), len(known) + setting.covariates.shape[1]
    if len(use) < FEWEST or len(use) < count + 4:
        raise ValueError(f"a baseline needs at least 8 runs and 4 more than its groups, got {len(use)} in {count}")
    column = np.full(len(setting.names), -1, dtype=np.int64)
    column[known] = np.arange(count)
    x = np.zeros((len(use), p))
    x[np.arange(len(use)), column[codes]] = 1.0
    x[:, count:] = setting.covariates[use]
    y = values[use]
    later_x, later_y = _neighbour_differences(values, setting, use, until, pairs)
    precision = np.zeros(p)
    precision[count:] = 1 / (setting.prior * level) ** 2
    scale = max(_first_scatter(y, codes), 1e-9 * level)
    weights = np.ones(len(y))
    coefficients, covariance = np.zeros(p), np.eye(p)
    for _ in range(12):
        weighted = x * weights[:, None]
        information, right = weighted.T @ x, weighted.T @ y
        if len(later_y):
            later_weight = _huber(later_y - later_x @ coefficients[count:], scale * np.sqrt(2)) / 2
            weighted = later_x * later_weight[:, None]
            information[count:, count:] += weighted.T @ later_x
            right[count:] += weighted.T @ later_y
        information[np.diag_indices(p)] += precision * scale**2
        covariance = np.linalg.inv(information)
        before, coefficients = coefficients, covariance @ right
        residual = y - x @ coefficients
        degrees = max(3.0, float(weights.sum()) - count - 1.0)
        scale = max(_scatter(residual, weights, degrees), 1e-9 * level)
        weights = _huber(residual, scale)
        if float(np.abs(coefficients - before).max()) < 1e-3 * scale:
            break
    degrees = max(3.0, float(weights.sum()) - count - 1.0)
    seen = setting.ambient[use][~np.isnan(setting.ambient[use])]
    return Baseline(
        tuple(setting.names[g] for g in known),
        column,
        coefficients,
        covariance,
        scale,
        _group_scatter(residual, codes, len(setting.names), scale),
        degrees,
        len(use),
        (float(seen.min()), float(seen.max())) if len(seen) else None,
        use,
    )


def predict(baseline: Baseline, setting: Setting) -> tuple[Array, Array, Array]:
    """Expected value, scatter and bias (standard error of the expectation, in scatters) of each run of `setting`.

    Expected is NaN for a run whose group the baseline does not know.
    """
    x = baseline.rows(setting)
    known = baseline.column[setting.codes] >= 0
    expected = np.where(known, x @ baseline.coefficients, np.nan)
    bias = np.sqrt(np.einsum("ij,jk,ik->i", x, baseline.covariance, x))
    return expected, baseline.group_sigma[setting.codes], bias


def _in_order_of_appearance(codes: Places) -> Places:
    known, first = np.unique(codes, return_index=True)
    return known[np.argsort(first)]


def _huber(residual: Array, scale: float) -> Array:
    size = np.abs(residual) / max(scale, 1e-300)
    return np.where(size <= HUBER_WIDTH, 1.0, HUBER_WIDTH / np.maximum(size, 1e-300))


def _first_scatter(y: Array, codes: Places) -> float:
    order = np.argsort(codes, kind="stable")
    same = codes[order][1:] == codes[order][:-1]
    ranges = np.abs(np.diff(y[order]))[same]
    ranges = ranges[ranges > 0]
    if len(ranges) == 0:
        return max(1e-9, 1e-9 * float(np.abs(y).max()))
    return float(np.median(ranges) / MEDIAN_RANGE_PAIR)


def _scatter(residual: Array, weights: Array, degrees: float) -> float:
    return float(np.sqrt((weights * residual**2).sum() / degrees) * HUBER_SCATTER)


def _group_scatter(residual: Array, codes: Places, groups: int, pooled: float) -> Array:
    """Each group's own scatter, drawn to the pooled one as if by ten runs; the pooled one for a group never seen."""
    own = np.minimum(np.abs(residual), 3 * pooled) ** 2
    total, count = np.bincount(codes, own, groups), np.bincount(codes, minlength=groups)
    return np.sqrt((10 * pooled**2 + total) / (10 + np.maximum(0, count - 1)))


def _neighbour_differences(
    values: Array, setting: Setting, use: Places, until: int, pairs: tuple[Places, Places] | None
) -> tuple[Array, Array]:
    """Covariate and value differences of neighbouring runs of one group after the baseline, before `until`."""
    later, earlier = neighbours(values, setting) if pairs is None else pairs
    first = int(use.max()) + 1 if len(use) else 0
    kept = (earlier >= first) & (later < until)
    later, earlier = later[kept], earlier[kept]
    return setting.covariates[later] - setting.covariates[earlier], values[later] - values[earlier]
