"""What a run leaves for later ones, and what was usual in some of them: the history that checks compare with."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from analysis.checks.history import METRICS_NEEDED, MINIMUM_RUNS, History, Typical

Values = dict[tuple[str, str], float]  # (metric, channel name) -> value


class Left(NamedTuple):
    """The metrics that later runs are compared with: `values` (METRICS_NEEDED, channels) of the channels called `names`,
    NaN where there is no sound one or the channel was not believable."""

    names: tuple[str, ...]
    values: NDArray[np.float64]

    def by_name(self) -> Values:
        return {
            (metric, name): value
            for metric, own in zip(METRICS_NEEDED, self.values.tolist(), strict=True)
            for name, value in zip(self.names, own, strict=True)
            if value == value
        }


def left_of(values: Values) -> Left:
    names = tuple(dict.fromkeys(name for _, name in values))
    table = np.full((len(METRICS_NEEDED), len(names)), np.nan)
    for (metric, name), value in values.items():
        table[METRICS_NEEDED.index(metric), names.index(name)] = value
    return Left(names, table)


def usual_of(runs: Iterable[Values]) -> History | None:
    """The usual of some runs, as analysis.checks.history.build_history gives it from a data frame; None below its minimum."""
    runs = [values for values in runs if values]
    if len(runs) < MINIMUM_RUNS:
        return None
    names = sorted({key for values in runs for key in values})
    table = np.array([[values.get(key, np.nan) for key in names] for values in runs])
    column = {key: i for i, key in enumerate(names)}
    pairs = [
        (first, second)
        for metric in ("start_temperature_c", "peak_c")
        for first, second in combinations([key for key in names if key[0] == metric], 2)
    ]
    if pairs:
        left, right = ([column[pair[side]] for pair in pairs] for side in (0, 1))
        table = np.hstack((table, table[:, left] - table[:, right]))
    usual = _typical(table)
    singles: dict[str, dict[str, Typical]] = {metric: {} for metric in METRICS_NEEDED}
    for (metric, name), value in zip(names, usual, strict=False):
        if value is not None:
            singles[metric][name] = value
    differences: dict[str, dict[tuple[str, str], Typical]] = {"start_temperature_c": {}, "peak_c": {}}
    for (first, second), value in zip(pairs, usual[len(names) :], strict=True):
        if value is not None:
            differences[first[0]][first[1], second[1]] = value
    return History(
        n=len(runs),
        start_c=singles["start_temperature_c"],
        start_minus_room_k=singles["cold_start_minus_room_c"],
        peak_c=singles["peak_c"],
        lag_s=singles["channel_lag_s"],
        start_difference_k=differences["start_temperature_c"],
        peak_difference_k=differences["peak_c"],
    )


def _typical(table: np.ndarray) -> list[Typical | None]:
    """Median and scaled median absolute deviation of every column's finite values; None below the minimum."""
    count = np.isfinite(table).sum(axis=0)
    centre = _median(table, count)
    scatter = 1.4826 * _median(np.abs(table - centre), count)
    return [
        Typical(m, s, n) if n >= MINIMUM_RUNS else None
        for m, s, n in zip(centre.tolist(), scatter.tolist(), count.tolist(), strict=True)
    ]


def _median(table: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Median of each column's first `count` values in order, NaN sorted to the end; NaN for an empty column."""
    ordered = np.sort(table, axis=0)
    columns = np.arange(table.shape[1])
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(table) - 1)
    return (ordered[low, columns] + ordered[high, columns]) / 2.0
