"""A limit that would have prevented a defect, with its interval and what it would have cost in rejected runs.

The limit is where two rates fit best (largest binomial likelihood). Whole runs are drawn again inside boards for its
interval; what the limit prevents and costs is judged on the runs left out of each draw, because a limit always looks
good on the runs it was chosen by.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

FEWEST_RUNS = 40
FEWEST_DEFECTIVE = 8  # runs; with fewer the limit sits on one or two of them
FEWEST_EACH_SIDE = 10  # runs
DRAWS = 400
SEED = 20


@dataclass(frozen=True)
class SuggestedLimit:
    """`limit` None with a `reason` when refused. `rejected` of `n` runs would have been stopped, `prevented` of
    `defective` among them; `prevented_share` and `rejected_share` are those expected on new runs, with intervals."""

    limit: float | None
    low: float | None
    high: float | None
    level: float
    is_upper: bool
    n: int
    defective: int
    rejected: int
    prevented: int
    rejected_share: tuple[float, float, float] | None
    prevented_share: tuple[float, float, float] | None
    seed: int
    draws: int
    reason: str = ""

    def sentence(self, label: str, unit: str) -> str:
        if self.limit is None or self.rejected_share is None or self.prevented_share is None:
            return f"No limit for {label}: {self.reason}."
        words = "at most" if self.is_upper else "at least"
        of = f" {unit}" if unit else ""
        return (
            f"{label} {words} {self.limit:.3g}{of} ({self.level:.0%} interval {self.low:.3g} to {self.high:.3g}) would have "
            f"stopped {self.prevented} of the {self.defective} runs with the defect, and {self.rejected - self.prevented} of "
            f"the {self.n - self.defective} without. On new runs expect it to stop {self.prevented_share[0]:.0%} "
            f"({self.prevented_share[1]:.0%} to {self.prevented_share[2]:.0%}) of the defective and "
            f"{self.rejected_share[0]:.0%} ({self.rejected_share[1]:.0%} to {self.rejected_share[2]:.0%}) of all runs."
        )


def suggest_limit(
    values: Array, hit: Array, boards: Any, is_upper: bool, level: float = 0.95, seed: int = SEED, draws: int = DRAWS
) -> SuggestedLimit:
    """`values` of the factor (NaN where unknown), `hit` 0 or 1, `boards` the stratum of each run; `is_upper`: too much
    is what harms. Refused below 40 runs, 8 of them with the defect."""
    known = ~np.isnan(values)
    x, y, strata = values[known], hit[known], np.asarray(boards, dtype=object)[known]
    n, defective = len(x), int(y.sum())

    def refused(reason: str) -> SuggestedLimit:
        return SuggestedLimit(
            None, None, None, level, is_upper, n, defective, 0, 0, None, None, seed, draws, reason
        )  # fmt: skip

    if n < FEWEST_RUNS or defective < FEWEST_DEFECTIVE:
        return refused(
            f"{n} runs with the value, {defective} of them with the defect; "
            f"{FEWEST_RUNS} and {FEWEST_DEFECTIVE} are needed"
        )
    limit = _best_cut(x, y, is_upper)
    if limit is None:
        return refused(f"no value has {FEWEST_EACH_SIDE} runs on either side and more defects beyond it")
    rng = np.random.default_rng(seed)
    groups = [np.flatnonzero(strata == s) for s in dict.fromkeys(strata)]
    cuts, rejected, prevented = [], [], []
    for _ in range(draws):
        drawn = np.concatenate([rng.choice(g, len(g)) for g in groups])
        cut = _best_cut(x[drawn], y[drawn], is_upper)
        if cut is None:
            continue
        cuts.append(cut)
        left = np.setdiff1d(np.arange(n), drawn)
        beyond = _beyond(x[left], cut, is_upper)
        rejected.append(beyond.mean())
        if y[left].sum():
            prevented.append(float(y[left][beyond].sum() / y[left].sum()))
    if len(cuts) < draws * 0.8:
        return refused("the limit is lost when runs are drawn again: it hangs on a few of them")
    tail = (1 - level) / 2
    low, high = np.quantile(cuts, [tail, 1 - tail])
    beyond = _beyond(x, limit, is_upper)
    return SuggestedLimit(
        *(limit, float(low), float(high), level, is_upper, n, defective, int(beyond.sum()), int(y[beyond].sum())),
        _spread(rejected, tail),
        _spread(prevented, tail),
        seed,
        draws,
    )


def _beyond(x: Array, cut: float, is_upper: bool) -> NDArray[np.bool_]:
    return x > cut if is_upper else x < cut


def _spread(shares: list[Any], tail: float) -> tuple[float, float, float]:
    low, high = np.quantile(shares, [tail, 1 - tail])
    return float(np.mean(shares)), float(low), float(high)


def _best_cut(x: Array, y: Array, is_upper: bool) -> float | None:
    """Halfway between neighbours, where one rate below and a higher one beyond fit best."""
    order = np.argsort(x if is_upper else -x, kind="stable")
    v, hits = x[order], y[order]
    n, total = len(v), hits.sum()
    before = np.arange(1, n)
    cumulated = np.cumsum(hits)[:-1]
    possible = (v[1:] != v[:-1]) & (before >= FEWEST_EACH_SIDE) & (n - before >= FEWEST_EACH_SIDE)
    rate_in, rate_out = cumulated / before, (total - cumulated) / (n - before)
    possible &= rate_out > rate_in
    if not possible.any():
        return None
    fit = _log_likelihood(cumulated, before) + _log_likelihood(total - cumulated, n - before)
    at = int(np.argmax(np.where(possible, fit, -np.inf)))
    return float((v[at] + v[at + 1]) / 2)


def _log_likelihood(count: Array, n: Any) -> Array:
    from scipy.special import xlogy

    return xlogy(count, count / n) + xlogy(n - count, 1 - count / n)
