"""The arithmetic of the link: strata, permutations of whole runs inside them, and factors that move together.

Exact in the sense that matters with few events: no normal approximation, the permutations pay for every level looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

FEWEST_RUNS = 12  # runs; with fewer, no order of them is rare enough to mean anything

LARGE = 3000  # runs; beyond, the sums are normal to the third digit and permuting only costs time
PORTION = 4_000_000  # runs times permutations held at once: 32 MB


@dataclass(frozen=True)
class Factor:
    """`kind`: thermal, paste, board, oven, person or room. Numeric factors are ranked, others compared by level."""

    name: str
    label: str
    unit: str
    kind: str
    numeric: bool = True


def age_class(frame: pd.DataFrame) -> pd.Series:
    """Three classes of days since the jar was opened, by its own terciles; one class more for unknown."""
    age = pd.to_numeric(frame["jar_age_days"], errors="coerce")
    if age.notna().sum() < 9:
        return pd.Series("all", index=frame.index)
    edges = np.quantile(age.dropna(), [1 / 3, 2 / 3])
    return pd.Series(np.where(age.isna(), -1, np.searchsorted(edges, age.fillna(0))), index=frame.index).astype(str)


def strata(frame: pd.DataFrame, columns: tuple[str, ...]) -> NDArray[np.int64]:
    """A number for each combination of the columns, in order of appearance; not recorded is a value of its own."""
    key = np.zeros(len(frame), dtype=np.int64)
    for column in columns:
        codes = pd.factorize(frame[column], use_na_sentinel=False)[0]
        key = key * (int(codes.max(initial=0)) + 1) + codes
    return pd.factorize(key)[0].astype(np.int64)


def stratified(
    hit: Array,
    frame: pd.DataFrame,
    factors: Sequence[Factor],
    strata: NDArray[np.int64],
    rng: np.random.Generator,
    permutations: int,
) -> dict[str, tuple[float, float]]:
    """z and permutation p per factor; whole runs permuted inside strata, the same permutations for all factors.
    With more than 3000 runs the normal limit of the same permutations is taken.

    Of a factor with levels the one that stands out most against the rest counts; the permutations pay for having looked
    at all of them. Factors with too few known runs, or without variation inside strata, are left out.
    """
    columns: list[Array] = []
    of: dict[str, list[int]] = {}
    for factor in factors:
        mine = [s for s in (_ranks(v, strata) for v in _values(factor, frame)) if s is not None]
        of[factor.name] = list(range(len(columns), len(columns) + len(mine)))
        columns += mine
    if not columns:
        return {}
    scores = np.column_stack(columns)
    if len(hit) > LARGE:
        return _by_limit(hit, scores, strata, of)
    observed = hit @ scores
    null = _null(hit, scores, strata, rng, permutations)
    spread = null.std(axis=0)
    usable = spread > 1e-12
    scale = np.where(usable, spread, 1.0)
    z = (observed - null.mean(axis=0)) / scale
    null = np.abs(null - null.mean(axis=0)) / scale
    out: dict[str, tuple[float, float]] = {}
    for factor in factors:
        mine = [c for c in of[factor.name] if usable[c]]
        if not mine:
            continue
        best = float(z[max(mine, key=lambda c: abs(z[c]))])
        if best != 0.0:
            rarer = null[:, mine].max(axis=1) >= abs(best) - 1e-12
            out[factor.name] = (best, float((1 + rarer.sum()) / (permutations + 1)))
    return out


def _by_limit(
    hit: Array, scores: Array, strata: NDArray[np.int64], of: dict[str, list[int]]
) -> dict[str, tuple[float, float]]:
    """The same with the mean and variance of all permutations and the normal limit; levels paid for one by one."""
    from scipy.stats import norm

    n, hits = np.bincount(strata), np.bincount(strata, hit)
    centred = scores - (np.array([np.bincount(strata, s) for s in scores.T]) / n).T[strata]
    share = hits * (n - hits) / (n * np.maximum(n - 1, 1))
    variance = share[strata] @ centred**2
    observed = hit @ centred
    z = np.divide(observed, np.sqrt(variance), out=np.zeros_like(observed), where=variance > 1e-24)
    out = {}
    for name, mine in of.items():
        best = max((float(z[c]) for c in mine), key=abs, default=0.0)
        if best != 0.0:
            out[name] = (best, float(min(1.0, 2 * norm.sf(abs(best)) * len(mine))))
    return out


def _values(factor: Factor, frame: pd.DataFrame) -> Iterator[Array]:
    """The factor's values, or for each of its levels on 2 runs or more 1 on its runs and 0 elsewhere."""
    if factor.numeric:
        yield pd.to_numeric(frame[factor.name], errors="coerce").to_numpy(dtype=float)
        return
    codes, names = pd.factorize(frame[factor.name])
    for level in range(len(names)):
        member = codes == level
        if 2 <= member.sum() <= len(member) - 2:
            yield member.astype(float)


def _null(hit: Array, scores: Array, strata: NDArray[np.int64], rng: np.random.Generator, permutations: int) -> Array:
    """The sums of scores over permuted hits, a row a permutation; in portions, so that many runs fit into memory."""
    order = np.argsort(strata, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(strata[order])) + 1)
    mixed = [at for at in groups if len(at) > 1 and 0 < hit[at].sum() < len(at)]
    portion = max(1, PORTION // len(hit))
    out = []
    for start in range(0, permutations, portion):
        rows = min(portion, permutations - start)
        shuffled = np.tile(hit, (rows, 1))
        for at in mixed:
            shuffled[:, at] = rng.permuted(np.tile(hit[at], (rows, 1)), axis=1)
        out.append(shuffled @ scores)
    return np.concatenate(out)


def _ranks(values: Array, strata: NDArray[np.int64]) -> Array | None:
    """Centred ranks inside strata over the stratum's size plus one (van Elteren weights); 0 where unknown."""
    known = ~np.isnan(values)
    if known.sum() < FEWEST_RUNS:
        return None
    scores = np.zeros(len(values))
    scores[known] = _centred(values[known], strata[known])
    return scores if np.abs(scores).sum() > 0 else None


def _centred(values: Array, strata: NDArray[np.int64]) -> Array:
    """Rank inside the stratum (the mean rank of equal values) less the middle rank, over the stratum's size plus one."""
    order = np.lexsort((values, strata))
    new_stratum = _begins(strata[order])
    new_value = new_stratum | _begins(values[order])
    first, size = _runs_of(new_stratum)
    tied, together = _runs_of(new_value)
    rank = tied - first + (together + 1) / 2
    out = np.empty(len(values))
    out[order] = (rank - (size + 1) / 2) / (size + 1)
    return out


def _begins(ordered: NDArray[Any]) -> NDArray[np.bool_]:
    return np.concatenate(([True], ordered[1:] != ordered[:-1]))


def _runs_of(begins: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For each place: where its run of equals begins, and how long it is."""
    at = np.flatnonzero(begins)
    length = np.diff(np.append(at, len(begins)))
    return np.repeat(at, length), np.repeat(length, length)


def associations(frame: pd.DataFrame, factors: Sequence[Factor]) -> dict[tuple[str, str], float]:
    """How far factors move together: rank correlation, or the correlation ratio of ranks where one is a level."""
    columns = {}
    for factor in factors:
        if factor.numeric:
            columns[factor.name] = pd.to_numeric(frame[factor.name], errors="coerce").rank()
    ranks = pd.DataFrame(columns)
    out: dict[tuple[str, str], float] = {}
    if not ranks.empty:
        table = ranks.corr(min_periods=FEWEST_RUNS).abs().fillna(0.0)
        out = {(a, b): float(table.loc[a, b]) for a in table.index for b in table.columns}  # type: ignore[arg-type]
    for factor in factors:
        if factor.numeric:
            continue
        codes = pd.factorize(frame[factor.name].astype("string"), sort=True)[0]
        for other in columns:
            share = _correlation_ratio(codes, ranks[other].to_numpy(dtype=float))
            out[(factor.name, other)] = out[(other, factor.name)] = share
    return out


def _correlation_ratio(level: NDArray[np.int64], ranks: Array) -> float:
    """`level`: a number a level, -1 where unknown; `ranks`: NaN where unknown."""
    known = (level >= 0) & ~np.isnan(ranks)
    level, ranks = level[known], ranks[known]
    if len(ranks) == 0:
        return 0.0
    middle = ranks.mean()
    total = float(((ranks - middle) ** 2).sum())
    size = np.bincount(level)
    seen = size > 0
    groups = int(seen.sum())
    if total == 0 or groups < 2 or len(ranks) - groups < FEWEST_RUNS:
        return 0.0
    mean = np.bincount(level, ranks)[seen] / size[seen]
    between = float((size[seen] * (mean - middle) ** 2).sum())
    # Many levels explain much by chance: take off what they would (epsilon squared).
    chance = (groups - 1) * (total - between) / (len(ranks) - groups)
    return float(np.sqrt(max(0.0, (between - chance) / total)))
