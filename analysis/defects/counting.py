"""Counts, denominators, rates and intervals; charts for attributes that scatter more than chance alone.

Intervals come from scipy; what is ours is the refusal to give a rate without its denominator.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift.charts import D2_PAIR

Array = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Proportion:
    """`count` of `n`, the rate and its interval at `level`; rate and interval None when nothing was looked at."""

    count: int
    n: int
    rate: float | None
    low: float | None
    high: float | None
    level: float
    method: str


@lru_cache(maxsize=4096)
def proportion(count: int, n: int, level: float = 0.95, exact: bool = False) -> Proportion:
    """Wilson score interval, or the exact (Clopper-Pearson) one. Raises ValueError when count is not within 0..n."""
    if not 0 <= count <= n:
        raise ValueError(f"a count of {count} does not lie within 0 and its denominator {n}")
    method = "Clopper-Pearson" if exact else "Wilson"
    if n == 0:
        return Proportion(count, n, None, None, None, level, method)
    from scipy.stats import binomtest

    interval = binomtest(count, n).proportion_ci(level, method="exact" if exact else "wilson")
    return Proportion(count, n, count / n, float(interval.low), float(interval.high), level, method)


@dataclass(frozen=True)
class Difference:
    """Rate a less rate b, with Newcombe's hybrid score interval."""

    value: float
    low: float
    high: float
    level: float
    method: str = "Newcombe hybrid score"


def rate_difference(count_a: int, n_a: int, count_b: int, n_b: int, level: float = 0.95) -> Difference:
    """Difference of two independent proportions (Newcombe 1998, method 10). Needs a run on each side."""
    if n_a < 1 or n_b < 1:
        raise ValueError(f"a difference of rates needs runs on both sides, got {n_a} and {n_b}")
    a, b = proportion(count_a, n_a, level), proportion(count_b, n_b, level)
    rate_a, rate_b = count_a / n_a, count_b / n_b
    value = rate_a - rate_b
    low = value - float(np.hypot(rate_a - (a.low or 0.0), (b.high or 0.0) - rate_b))
    high = value + float(np.hypot((a.high or 0.0) - rate_a, rate_b - (b.low or 0.0)))
    return Difference(value, low, high, level)


@dataclass(frozen=True)
class DefectRate:
    """Defects per million opportunities with an exact Poisson interval; None when no opportunity was counted."""

    defects: int
    opportunities: int
    dpmo: float | None
    low: float | None
    high: float | None
    level: float
    stated: str


def dpmo(
    defects: int,
    opportunities: int,
    stated: str = "terminations looked at",
    level: float = 0.95,
    spread: float = 1.0,
) -> DefectRate:
    """1e6 x defects / opportunities (IPC-7912A, IPC-9261A); `stated` says what an opportunity is.

    `spread`: Pearson dispersion of the counts between runs; above 1 the interval is that of as many fewer independent
    defects, because defects of one run come together.
    """
    if defects < 0 or opportunities < 0:
        raise ValueError(f"defects and opportunities must not be negative, got {defects} and {opportunities}")
    if opportunities == 0:
        return DefectRate(defects, 0, None, None, None, level, stated)
    from scipy.stats import chi2

    tail = (1 - level) / 2
    spread = max(1.0, spread)
    low = float(chi2.ppf(tail, 2 * defects / spread)) / 2 if defects else 0.0
    high = float(chi2.ppf(1 - tail, 2 * defects / spread + 2)) / 2
    scale = 1e6 / opportunities
    low, high = low * spread, high * spread
    return DefectRate(defects, opportunities, defects * scale, low * scale, high * scale, level, stated)


def first_pass_yield(inspected: pd.DataFrame, by: str | None = None, level: float = 0.95) -> pd.DataFrame:
    """Boards (or runs, where boards were not counted) without a defect over those inspected, per group.

    `inspected`: one row a run with `clean` (bool) and the grouping column. Rows: group, clean, inspected, rate, low, high.
    """
    groups = [("all", inspected)] if by is None else list(inspected.groupby(by, dropna=False))
    rows = []
    for name, part in groups:
        p = proportion(int(part["clean"].sum()), len(part), level)
        rows.append((str(name) if pd.notna(name) else "not recorded", p.count, p.n, p.rate, p.low, p.high))
    return pd.DataFrame(rows, columns=["group", "clean", "inspected", "rate", "low", "high"])


@dataclass(frozen=True)
class AttributeChart:
    """Per point: rate, limits (3 sigma) and whether it lies outside. `spread` is sigma_z, 1 for pure binomial scatter."""

    centre: float
    rate: Array
    low: Array
    high: Array
    outside: NDArray[np.bool_]
    spread: float


def p_chart(counts: Array, n: Array, allow_overdispersion: bool = False) -> AttributeChart:
    """Proportions in order (NIST/SEMATECH e-Handbook 6.3.3.2); with overdispersion after Laney 2002.

    The published method does not hold the spread at 1 or more; neither does this. Points with n = 0 must be left out.
    """
    if len(counts) < 2 or bool((n <= 0).any()):
        raise ValueError("a chart of proportions needs at least 2 points, each with a denominator above 0")
    centre = float(counts.sum() / n.sum())
    sigma = np.sqrt(centre * (1 - centre) / n)
    return _attribute_chart(counts / n, centre, sigma, allow_overdispersion, 1.0)


def u_chart(counts: Array, n: Array, allow_overdispersion: bool = False) -> AttributeChart:
    """Defects per unit in order; c chart when every n is 1 (NIST/SEMATECH e-Handbook 6.3.3.1)."""
    if len(counts) < 2 or bool((n <= 0).any()):
        raise ValueError("a chart of counts needs at least 2 points, each with a denominator above 0")
    centre = float(counts.sum() / n.sum())
    return _attribute_chart(counts / n, centre, np.sqrt(centre / n), allow_overdispersion, np.inf)


def _attribute_chart(rate: Array, centre: float, sigma: Array, overdispersed: bool, top: float) -> AttributeChart:
    spread = 1.0
    if overdispersed and bool((sigma > 0).all()):
        z = (rate - centre) / sigma
        spread = float(np.abs(np.diff(z)).mean() / D2_PAIR)
    half = 3 * sigma * spread
    low, high = np.clip(centre - half, 0, None), np.clip(centre + half, None, top)
    outside = (rate > centre + half + 1e-12) | (rate < centre - half - 1e-12)
    return AttributeChart(centre, rate, low, high, outside, spread)


@dataclass(frozen=True)
class BetweenChart:
    """Clean units between defects, for defects too rare for rates. `probability`: that so few come by chance."""

    between: NDArray[np.int64]
    rate: float
    probability: Array
    signal: NDArray[np.bool_]


def between_defects(has_defect: Sequence[bool], level: float = 0.005) -> BetweenChart:
    """Geometric count-between-events chart (Kaminsky et al. 1992; Benneyan 2001).

    `has_defect`: inspected units in order. The rate is that of the whole record; a gap whose probability of being so
    short lies below `level` signals. Raises ValueError with fewer than 3 defects: no rate to judge by.
    """
    places = np.flatnonzero(np.asarray(has_defect, dtype=bool))
    if len(places) < 3:
        raise ValueError(f"a count-between-defects chart needs at least 3 defects, got {len(places)}")
    between = np.diff(places) - 1
    rate = (len(places) - 1) / float(places[-1] - places[0])
    probability = 1 - (1 - rate) ** (between + 1)
    return BetweenChart(between.astype(np.int64), rate, probability, probability < level)
