"""How many runs a comparison needs, and what it could have seen: exact power of Fisher's test.

All outcomes of both arms are gone through; nothing is simulated. Only large effects show with tens of runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

ALPHA = 0.05
FEWEST_RUNS = 4  # an arm; with 3 against 3 not even all against none rejects
MOST_RUNS = 400  # an arm; beyond that a small shop plans no trial


@lru_cache(maxsize=256)
def _rejects(n_a: int, n_b: int, alpha: float) -> NDArray[np.bool_]:
    """For every pair of counts: does the two-sided Fisher test reject? Rows a, columns b."""
    from scipy.special import gammaln

    logs = gammaln(
        np.arange(n_a + n_b + 1) + 1.0
    )  # of factorials: the hypergeometric probabilities without a call each
    whole = logs[n_a] + logs[n_b] - logs[n_a + n_b]
    out = np.zeros((n_a + 1, n_b + 1), dtype=bool)
    for total in range(n_a + n_b + 1):
        a = np.arange(max(0, total - n_b), min(n_a, total) + 1)
        b = total - a
        chosen = logs[total] + logs[n_a + n_b - total]
        probability = np.exp(whole + chosen - logs[a] - logs[n_a - a] - logs[b] - logs[n_b - b])
        order = np.argsort(probability, kind="stable")
        tail = np.cumsum(probability[order])
        # Ties are outcomes equally rare: they count together, as in Fisher's test.
        last = np.searchsorted(probability[order], probability[order] * (1 + 1e-7), side="right") - 1
        p = np.empty(len(a))
        p[order] = tail[last]
        out[a, total - a] = p <= alpha
    return out


def exact_power(rate_a: float, rate_b: float, n_a: int, n_b: int, alpha: float = ALPHA) -> float:
    """Chance that Fisher's exact test (two-sided, `alpha`) tells rates a and b apart with n_a and n_b runs."""
    from scipy.stats import binom

    if n_a < 1 or n_b < 1 or not 0 <= rate_a <= 1 or not 0 <= rate_b <= 1:
        raise ValueError(
            f"power needs rates within 0 and 1 and runs on both sides, got {rate_a}, {rate_b}, {n_a}, {n_b}"
        )
    a, b = binom.pmf(np.arange(n_a + 1), n_a, rate_a), binom.pmf(np.arange(n_b + 1), n_b, rate_b)
    return float(a @ _rejects(n_a, n_b, alpha) @ b)


@dataclass(frozen=True)
class SampleSize:
    """`runs_per_arm` None: more than MOST_RUNS. `power` is that of the size given, or of MOST_RUNS."""

    runs_per_arm: int | None
    power: float
    rate_a: float
    rate_b: float
    alpha: float

    def sentence(self) -> str:
        what = f"{self.rate_a:.0%} against {self.rate_b:.0%} of runs"
        if self.runs_per_arm is None:
            return (
                f"To tell {what} apart would take more than {MOST_RUNS} runs an arm "
                f"(there the chance to see it is still {self.power:.0%}): look for a larger effect."
            )
        return f"To tell {what} apart takes {self.runs_per_arm} runs an arm: the chance to see it is then {self.power:.0%}."


def runs_needed(rate_a: float, rate_b: float, power: float = 0.8, alpha: float = ALPHA) -> SampleSize:
    """The fewest runs an arm from which on the exact power stays at `power` or above (it goes up in a sawtooth)."""
    if rate_a == rate_b:
        raise ValueError("two equal rates cannot be told apart by any number of runs")

    def at(n: int) -> float:
        return exact_power(rate_a, rate_b, n, n, alpha)

    # The normal approximation is a little short of what the exact test needs: begin below it and go up.
    scatter = rate_a * (1 - rate_a) + rate_b * (1 - rate_b)
    n = max(FEWEST_RUNS, int(0.9 * (1.96 + 0.84) ** 2 * scatter / (rate_a - rate_b) ** 2))
    while n > FEWEST_RUNS and n <= MOST_RUNS and at(n) >= power:
        n = max(FEWEST_RUNS, int(0.8 * n))
    run_of = 0  # sizes in a row with enough power; the sawtooth is shorter than 4
    while n <= MOST_RUNS:
        run_of = run_of + 1 if at(n) >= power else 0
        if run_of == 4:
            return SampleSize(n - 3, at(n - 3), rate_a, rate_b, alpha)
        n += 1
    return SampleSize(None, at(MOST_RUNS), rate_a, rate_b, alpha)
