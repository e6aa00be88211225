"""Two by two tables, one a stratum: exact test, and the common odds ratio of Mantel and Haenszel.

The stratum (board and paste lot) cannot pose as the factor: runs are compared inside strata only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class CommonOdds:
    """`odds_ratio` None (with `reason`) when no stratum can tell; `p` exact, two-sided; `strata` that carry information."""

    odds_ratio: float | None
    low: float | None
    high: float | None
    level: float
    p: float
    strata: int
    reason: str = ""


def tables_of(inside: NDArray[np.bool_], rest: NDArray[np.bool_], hit: Array, strata: NDArray[np.int64]) -> list[Array]:
    """A table a stratum: rows inside and rest, columns with and without the defect. Strata with an empty margin left out."""
    out = []
    for stratum in np.unique(strata):
        at = strata == stratum
        table = np.array([[hit[at & side].sum(), (1 - hit[at & side]).sum()] for side in (inside, rest)], dtype=float)
        if (table.sum(axis=0) > 0).all() and (table.sum(axis=1) > 0).all():
            out.append(table)
    return out


def exact_p(tables: list[Array]) -> float:
    """Two-sided exact conditional p that the common odds ratio is 1; 1 when no table carries information.

    The sum over strata of the first cell has the convolution of their hypergeometric distributions; outcomes no more
    probable than the one seen are counted (Fisher's test when there is one table).
    """
    from scipy.stats import hypergeom

    probability, observed, lowest = np.ones(1), 0, 0
    for table in tables:
        (a, b), (c, d) = table.astype(int)
        n, defective, drawn = a + b + c + d, a + c, a + b
        low, high = max(0, drawn - (n - defective)), min(drawn, defective)
        probability = np.convolve(probability, hypergeom.pmf(np.arange(low, high + 1), n, defective, drawn))
        observed, lowest = observed + a, lowest + low
    if not tables:
        return 1.0
    seen = probability[observed - lowest]
    return float(min(1.0, probability[probability <= seen * (1 + 1e-7)].sum()))


def common_odds(tables: list[Array], level: float = 0.95) -> CommonOdds:
    """Mantel-Haenszel estimate with the interval of Robins, Breslow and Greenland (statsmodels StratifiedTable)."""
    p = exact_p(tables)
    if not tables:
        return CommonOdds(None, None, None, level, p, 0, "in no board and lot are there runs of both kinds")
    total = np.sum(tables, axis=0)
    if (total == 0).any():
        return CommonOdds(
            None, None, None, level, p, len(tables), "one side has none or all of the defects: no finite odds"
        )
    from statsmodels.stats.contingency_tables import StratifiedTable

    with np.errstate(divide="ignore", invalid="ignore"):
        pooled = StratifiedTable([t for t in tables])
        ratio = float(np.asarray(pooled.oddsratio_pooled))
        if not np.isfinite(ratio) or ratio <= 0:
            return CommonOdds(None, None, None, level, p, len(tables), "the odds cannot be pooled over the strata")
        low, high = (float(x) for x in pooled.oddsratio_pooled_confint(1 - level))
    return CommonOdds(ratio, low, high, level, p, len(tables))


@dataclass(frozen=True)
class RateRatio:
    """Defects per joint (or per run) on one side over the other. `spread`: Pearson dispersion, 1 for pure Poisson."""

    ratio: float
    low: float
    high: float
    level: float
    p: float
    spread: float
    per: str


def count_ratio(
    inside: NDArray[np.bool_],
    rest: NDArray[np.bool_],
    counts: Array,
    joints: Array,
    strata: NDArray[np.int64],
    level: float = 0.95,
) -> RateRatio | None:
    """Quasi-Poisson rate ratio adjusted for strata: counts of one run scatter more than chance, and the interval pays for it.

    Per joint when every run says how many were looked at, else per run. None when either side has no defect (no finite
    ratio) or too few runs are left.
    """
    import statsmodels.api as sm

    use = inside | rest
    per_joint = bool((joints[use] > 0).all())
    with_defect = pd.Series(counts).groupby(strata).transform("sum").to_numpy() > 0
    use = use & with_defect  # a stratum without a defect says nothing about a ratio
    if counts[inside & use].sum() == 0 or counts[rest & use].sum() == 0:
        return None
    levels = pd.get_dummies(pd.Series(strata[use]), dtype=float).to_numpy()
    x = np.column_stack([inside[use].astype(float), levels])
    if len(x) - np.linalg.matrix_rank(x) < 5 or np.linalg.matrix_rank(x) < x.shape[1]:
        return None
    offset = np.log(joints[use]) if per_joint else None
    fit = sm.GLM(counts[use], x, family=sm.families.Poisson(), offset=offset).fit(scale="X2")
    spread = float(np.asarray(fit.scale))
    if spread < 1:  # less scatter than chance is chance
        fit = sm.GLM(counts[use], x, family=sm.families.Poisson(), offset=offset).fit(scale=1.0)
    low, high = np.exp(np.asarray(fit.conf_int(1 - level))[0])
    return RateRatio(
        float(np.exp(fit.params[0])), float(low), float(high), level, float(fit.pvalues[0]), spread,
        "joint" if per_joint else "run",
    )  # fmt: skip
