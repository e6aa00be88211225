"""What is usual for an oven's channels, from earlier comparable runs.

Comparable: same oven, same profile (set-point hash), same board and, where known, same placements; the caller picks
them (analysis/store.py) and hands over their stored metrics. Checks that need to know the usual take a `History`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

# Fewer runs than this give no scatter worth the name: with 5 the median absolute deviation still ignores two odd runs.
MINIMUM_RUNS = 5

METRICS_NEEDED = ("start_temperature_c", "cold_start_minus_room_c", "peak_c", "channel_lag_s")
_START, _OVER_ROOM, _PEAK, _LAG = range(4)


@dataclass(frozen=True)
class Typical:
    """Median, robust standard deviation (1.4826 times the median absolute deviation) and number of runs."""

    median: float
    scatter: float
    n: int


@dataclass(frozen=True)
class History:
    """Usual values of one group of comparable runs, by channel name.

    `start_c` [°C] start temperature; `start_minus_room_k` [K]; `peak_c` [°C]; `lag_s` [s] delay behind the others while
    heating; `start_difference_k`, `peak_difference_k` [K]: (first, second) -> first minus second in the same run.
    Entries exist only where at least `MINIMUM_RUNS` runs have the value. `n`: runs in the group.
    """

    n: int
    start_c: Mapping[str, Typical] = field(default_factory=dict[str, Typical])
    start_minus_room_k: Mapping[str, Typical] = field(default_factory=dict[str, Typical])
    peak_c: Mapping[str, Typical] = field(default_factory=dict[str, Typical])
    lag_s: Mapping[str, Typical] = field(default_factory=dict[str, Typical])
    start_difference_k: Mapping[tuple[str, str], Typical] = field(default_factory=dict[tuple[str, str], Typical])
    peak_difference_k: Mapping[tuple[str, str], Typical] = field(default_factory=dict[tuple[str, str], Typical])

    def peak_difference(self, first: str, second: str) -> Typical | None:
        """Usual peak of the first less the second channel [K], either order."""
        return _either_order(self.peak_difference_k, first, second)

    def start_difference(self, first: str, second: str) -> Typical | None:
        """Usual start temperature of the first less the second channel [K], either order."""
        return _either_order(self.start_difference_k, first, second)


@dataclass(frozen=True)
class UsualOfMany:
    """The usual before each of many runs with the same channels, as History has it; NaN where there is none.

    `known` (runs,): there is a history. Medians and scatters (runs, rows) of the start less the room, the peak and the
    lag; of the differences of starts and of peaks between two channels (runs, rows, rows), first less second.
    """

    known: NDArray[np.bool_]
    start_minus_room_k: NDArray[np.float64]
    start_minus_room_scatter_k: NDArray[np.float64]
    peak_c: NDArray[np.float64]
    lag_s: NDArray[np.float64]
    lag_scatter_s: NDArray[np.float64]
    start_difference_k: NDArray[np.float64]
    start_difference_scatter_k: NDArray[np.float64]
    peak_difference_k: NDArray[np.float64]
    peak_difference_scatter_k: NDArray[np.float64]


def usual_of_many(values: NDArray[np.float64], counted: NDArray[np.int64]) -> UsualOfMany:
    """`values` (runs, earlier runs, METRICS_NEEDED, rows), NaN where missing, of each run's comparable runs before it;
    `counted` (runs,): how many of these have any value, of whatever channel."""
    runs, earlier, metrics, rows = values.shape
    first, second = np.triu_indices(rows, 1)
    columns = values.transpose(0, 2, 3, 1)  # each column's values side by side
    table = np.empty((runs, metrics * rows + 2 * len(first), earlier))
    table[:, : metrics * rows] = columns.reshape(runs, metrics * rows, earlier)
    for place, metric in enumerate((_START, _PEAK)):
        begin = metrics * rows + place * len(first)
        table[:, begin : begin + len(first)] = columns[:, metric, first] - columns[:, metric, second]
    count = np.isfinite(table).sum(axis=2)
    known = counted >= MINIMUM_RUNS
    enough = (count >= MINIMUM_RUNS) & known[:, None]
    centre = np.where(enough, _median(table, count), np.nan)
    scatter = 1.4826 * _median(np.abs(table - centre[:, :, None]), count)

    def singles(of: NDArray[np.float64], metric: int) -> NDArray[np.float64]:
        return of[:, metric * rows : (metric + 1) * rows]

    def pairs(of: NDArray[np.float64], place: int, turned: float) -> NDArray[np.float64]:
        found = np.full((runs, rows, rows), np.nan)
        begin = metrics * rows + place * len(first)
        found[:, first, second] = of[:, begin : begin + len(first)]
        found[:, second, first] = turned * of[:, begin : begin + len(first)]
        return found

    return UsualOfMany(
        known,
        singles(centre, _OVER_ROOM),
        singles(scatter, _OVER_ROOM),
        singles(centre, _PEAK),
        singles(centre, _LAG),
        singles(scatter, _LAG),
        pairs(centre, 0, -1.0),
        pairs(scatter, 0, 1.0),
        pairs(centre, 1, -1.0),
        pairs(scatter, 1, 1.0),
    )


def _median(table: NDArray[np.float64], count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Median of the first `count` values in order along the last axis, NaN sorted to the end."""
    ordered = np.sort(table, axis=2)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, table.shape[2] - 1)
    at = np.take_along_axis(ordered, np.stack((low, high), axis=2), axis=2)
    return (at[:, :, 0] + at[:, :, 1]) / 2.0


def _either_order(pairs: Mapping[tuple[str, str], Typical], first: str, second: str) -> Typical | None:
    if (first, second) in pairs:
        return pairs[first, second]
    turned = pairs.get((second, first))
    return None if turned is None else Typical(-turned.median, turned.scatter, turned.n)


def typical(values: np.ndarray) -> Typical | None:
    """Robust centre and scatter of the finite values; None below `MINIMUM_RUNS`."""
    finite = values[np.isfinite(values)]
    if len(finite) < MINIMUM_RUNS:
        return None
    centre = float(np.median(finite))
    return Typical(centre, float(1.4826 * np.median(np.abs(finite - centre))), len(finite))


def build_history(metrics: pd.DataFrame) -> History | None:
    """History from the stored metrics of comparable runs.

    `metrics`: rows of the `metric_long` view: columns `run`, `channel` (name, missing for the run), `metric`, `value`,
    `status`; other columns and metrics are ignored. Only values with status ok are used. Channels that a check found
    not believable should be left out by the caller. Returns None below `MINIMUM_RUNS` runs.
    """
    used = metrics[metrics["metric"].isin(METRICS_NEEDED) & (metrics["status"] == "ok") & metrics["channel"].notna()]
    n = int(used["run"].nunique())
    if n < MINIMUM_RUNS:
        return None
    tables = {
        name: part.pivot_table(index="run", columns="channel", values="value", aggfunc="first")
        for name, part in used.groupby("metric", observed=True)
    }

    def singles(metric: str) -> dict[str, Typical]:
        table = tables.get(metric)
        if table is None:
            return {}
        found = {str(name): typical(table[name].to_numpy(dtype=float)) for name in table.columns}
        return {name: value for name, value in found.items() if value is not None}

    def pairs(metric: str) -> dict[tuple[str, str], Typical]:
        table = tables.get(metric)
        if table is None:
            return {}
        found = {
            (str(a), str(b)): typical((table[a] - table[b]).to_numpy(dtype=float))
            for a, b in combinations(table.columns, 2)
        }
        return {pair: value for pair, value in found.items() if value is not None}

    return History(
        n=n,
        start_c=singles("start_temperature_c"),
        start_minus_room_k=singles("cold_start_minus_room_c"),
        peak_c=singles("peak_c"),
        lag_s=singles("channel_lag_s"),
        start_difference_k=pairs("start_temperature_c"),
        peak_difference_k=pairs("peak_c"),
    )
