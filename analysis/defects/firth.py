"""Logistic regression that survives few events: Firth's penalised likelihood.

Ordinary logistic regression runs off to infinity when a factor separates the defective runs from the clean ones, which
with tens of runs is common. Firth (Biometrika 80, 1993) adds half the log determinant of the information; intervals come
from the profile of the penalised likelihood (Heinze & Schemper 2002). For a 2 x 2 table it equals adding 1/2 to each cell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

TOLERANCE = 1e-10
MOST_STEPS = 200


@dataclass(frozen=True)
class FirthFit:
    """Coefficients (first column of X first), their standard errors and the penalised log-likelihood."""

    coefficients: Array
    standard_errors: Array
    log_likelihood: float
    converged: bool
    n: int


def fit(x: Array, y: Array, fixed: dict[int, float] | None = None, start: Array | None = None) -> FirthFit:
    """Maximise the penalised likelihood. `x`: n x p with the constant as a column; `y`: 0 or 1; no missing values.

    `fixed` holds coefficients still (for profiles and tests). Raises ValueError when n is not above p.
    """
    n, p = x.shape
    if n <= p:
        raise ValueError(f"a fit of {p} coefficients needs more than {p} runs, got {n}")
    held = fixed or {}
    free = np.array([j for j in range(p) if j not in held], dtype=int)
    beta = np.zeros(p) if start is None else np.array(start, dtype=float)
    for j, value in held.items():
        beta[j] = value
    value, information, score = _state(x, y, beta)
    converged = len(free) == 0
    for _ in range(MOST_STEPS):
        if len(free) == 0:
            break
        step = np.linalg.solve(information[np.ix_(free, free)], score[free])
        size = float(np.abs(step).max())
        if size > 5:
            step = step * 5 / size
        for _halving in range(30):
            trial = beta.copy()
            trial[free] += step
            new_value, new_information, new_score = _state(x, y, trial)
            if new_value >= value - 1e-12:
                break
            step = step / 2
        beta, value, information, score = trial, new_value, new_information, new_score
        if float(np.abs(step).max()) < TOLERANCE:
            converged = True
            break
    covariance = np.linalg.inv(information)
    return FirthFit(beta, np.sqrt(np.diag(covariance)), value, converged, n)


def likelihood_ratio(x: Array, y: Array, column: int) -> tuple[float, float]:
    """Penalised likelihood ratio statistic and p (one degree of freedom) of one coefficient being zero."""
    from scipy.stats import chi2

    full = fit(x, y)
    null = fit(x, y, fixed={column: 0.0})
    statistic = max(0.0, 2 * (full.log_likelihood - null.log_likelihood))
    return statistic, float(chi2.sf(statistic, 1))


def profile_interval(x: Array, y: Array, column: int, level: float = 0.95) -> tuple[float, float]:
    """Interval of one coefficient from the profile of the penalised likelihood."""
    from scipy.optimize import brentq
    from scipy.stats import chi2

    full = fit(x, y)
    drop = float(chi2.ppf(level, 1)) / 2
    centre, reach = float(full.coefficients[column]), float(full.standard_errors[column])

    def below(at: float) -> float:
        return fit(x, y, fixed={column: at}, start=full.coefficients).log_likelihood - full.log_likelihood + drop

    ends = []
    for side in (-1.0, 1.0):
        far = centre + side * reach
        for _ in range(60):
            if below(far) < 0:
                break
            far += side * reach
        ends.append(float(brentq(below, min(centre, far), max(centre, far), xtol=1e-8)))  # type: ignore[arg-type]
    return ends[0], ends[1]


def _state(x: Array, y: Array, beta: Array) -> tuple[float, Array, Array]:
    linear = np.clip(x @ beta, -35, 35)
    probability = 1 / (1 + np.exp(-linear))
    weight = probability * (1 - probability)
    weighted = x * np.sqrt(weight)[:, None]
    information = weighted.T @ weighted
    sign, log_determinant = np.linalg.slogdet(information)
    if sign <= 0:
        raise ValueError("the factors are not independent of each other: one is a combination of the others")
    leverage = np.einsum("ij,jk,ik->i", weighted, np.linalg.inv(information), weighted)
    score = x.T @ (y - probability + leverage * (0.5 - probability))
    value = float((y * linear - np.log1p(np.exp(linear))).sum() + 0.5 * log_determinant)
    return value, information, score
