"""The arithmetic of the link: strata, permutations of whole runs inside them, and factors that move together.

Exact in the sense that matters with few events: no normal approximation, the permutations pay for every level looked at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

FEWEST_RUNS = 12  # runs; with fewer, no order of them is rare enough to mean anything


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
    """z and permutation p per factor; whole runs permuted inside strata, the same permutations for all factors."""
    if not factors:
        return {}
    shuffled = _permuted(hit, strata, rng, permutations)
    out: dict[str, tuple[float, float]] = {}
    for factor in factors:
        if factor.numeric:
            scores = _ranks(pd.to_numeric(frame[factor.name], errors="coerce").to_numpy(dtype=float), strata)
            if scores is None:
                continue
            got = _z(float(scores @ hit), shuffled @ scores)
            if got is not None:
                z, null = got
                out[factor.name] = (z, float((1 + (np.abs(null) >= abs(z) - 1e-12).sum()) / (permutations + 1)))
        else:
            got = _levels(hit, frame[factor.name], strata, shuffled)
            if got is not None:
                out[factor.name] = got
    return out


def _permuted(hit: Array, strata: NDArray[np.int64], rng: np.random.Generator, permutations: int) -> Array:
    out = np.tile(hit, (permutations, 1))
    for stratum in range(int(strata.max()) + 1):
        at = np.flatnonzero(strata == stratum)
        if len(at) > 1 and 0 < hit[at].sum() < len(at):
            out[:, at] = rng.permuted(out[:, at], axis=1)
    return out


def _ranks(values: Array, strata: NDArray[np.int64]) -> Array | None:
    """Centred ranks inside strata over the stratum's size plus one (van Elteren weights); 0 where unknown."""
    from scipy.stats import rankdata

    known = ~np.isnan(values)
    if known.sum() < FEWEST_RUNS:
        return None
    scores = np.zeros(len(values))
    for stratum in range(int(strata.max()) + 1):
        at = np.flatnonzero((strata == stratum) & known)
        if len(at) > 1:
            ranks = rankdata(values[at])
            scores[at] = (ranks - ranks.mean()) / (len(at) + 1)
    return scores if np.abs(scores).sum() > 0 else None


def _z(observed: float, null: Array) -> tuple[float, Array] | None:
    spread = float(null.std())
    if spread < 1e-12:
        return None
    centre = float(null.mean())
    return float((observed - centre) / spread), (null - centre) / spread


def _levels(hit: Array, column: pd.Series, strata: NDArray[np.int64], shuffled: Array) -> tuple[float, float] | None:
    """The level that stands out most against the rest; permutation pays for having looked at all levels."""
    names = column.astype("string")
    best, worst_null = 0.0, np.zeros(len(shuffled))
    for level in names.dropna().unique():
        member = (names == level).fillna(False).to_numpy(dtype=float)
        if not 2 <= member.sum() <= len(member) - 2:
            continue
        scores = _ranks(member, strata)
        got = None if scores is None else _z(float(scores @ hit), shuffled @ scores)
        if got is None:
            continue
        best = got[0] if abs(got[0]) > abs(best) else best
        worst_null = np.maximum(worst_null, np.abs(got[1]))
    if best == 0.0:
        return None
    return best, float((1 + (worst_null >= abs(best) - 1e-12).sum()) / (len(shuffled) + 1))


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
        for other in columns:
            share = _correlation_ratio(frame[factor.name], ranks[other])
            out[(factor.name, other)] = out[(other, factor.name)] = share
    return out


def _correlation_ratio(level: pd.Series, ranks: pd.Series) -> float:
    data = pd.DataFrame({"level": level.astype("string"), "rank": ranks}).dropna()
    total = float(((data["rank"] - data["rank"].mean()) ** 2).sum())
    groups = data.groupby("level")["rank"]
    if total == 0 or len(groups) < 2 or len(data) - len(groups) < FEWEST_RUNS:
        return 0.0
    between = float((groups.size() * (groups.mean() - data["rank"].mean()) ** 2).sum())
    # Many levels explain much by chance: take off what they would (epsilon squared).
    chance = (len(groups) - 1) * (total - between) / (len(data) - len(groups))
    return float(np.sqrt(max(0.0, (between - chance) / total)))
