"""The series an oven is watched by: four to six numbers that between them tell heater, seal, sensor and control apart.

Effort first (a controlled oven hides its decline in its result), then agreement of the channels, then the result.
Quantities that faults move in proportion are charted as logarithms, so that a group with twice the duty weighs
the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.drift.charts import MEDIAN_RANGE_PAIR

Array = NDArray[np.floating[Any]]

MOST_WATCHED = 6
MOST_SCATTER = 0.12  # of a logarithm, from run to run of one group
FEWEST_SHARE = 0.5  # of the comparable runs must carry the value, else another series is watched in its place


@dataclass(frozen=True)
class SeriesKind:
    """`level`: size of the quantity for the covariate prior, in the unit of the charted values (1 for logarithms).
    `least`: the smallest change worth calling, in the charted unit: what the sensors and the log can resolve."""

    name: str
    label: str
    unit: str
    logarithm: bool
    level: float
    least: float
    per_channel: bool = False
    turned: bool = False  # turning the board moves it
    room: float = 1.0  # what a kelvin of the room may do to it, against the usual prior of `baseline`

    @property
    def shown_unit(self) -> str:
        """The unit in which people read a change: percent, points of a share, or the series' own."""
        return "%" if self.logarithm else "percentage points" if self.unit == "1" else self.unit

    def shown(self, change: Any) -> Any:
        """A change of the charted value (number or array) in `shown_unit`."""
        return 100 * np.expm1(change) if self.logarithm else 100 * change if self.unit == "1" else change


KINDS = (
    SeriesKind("full_power_ramp_high_c_per_s", "full-power ramp, high", "°C/s", True, 1.0, 0.02, room=0.5),
    SeriesKind("full_power_ramp_low_c_per_s", "full-power ramp, low", "°C/s", True, 1.0, 0.02, room=0.5),
    SeriesKind("hold_duty", "hold duty", "1", True, 1.0, 0.02),
    SeriesKind("cooling_time_constant_s", "cooling time constant", "s", True, 1.0, 0.03),
    SeriesKind(
        "channel_difference_at_peak", "difference from the other channels at peak", "K", False, 20.0, 0.7, True, True
    ),
    SeriesKind("channel_difference_cold", "difference from the other channels when cold", "K", False, 5.0, 0.5, True),
    SeriesKind(
        "channel_difference_cooling",
        "difference from the other channels while cooling",
        "K",
        False,
        20.0,
        0.7,
        True,
        True,
    ),
    SeriesKind("coldest_peak_c", "coldest channel's peak", "°C", False, 20.0, 1.0, turned=True),
    SeriesKind("setpoint_lag_s", "lag behind the set point", "s", False, 10.0, 1.0),
    SeriesKind("saturation_fraction", "time at full power", "1", False, 0.5, 0.03),
    SeriesKind("time_to_peak_s", "time to peak", "s", True, 1.0, 0.02),
    SeriesKind("overshoot_c", "overshoot", "K", False, 10.0, 1.0),
    SeriesKind("room_difference", "cold start less room", "K", False, 5.0, 0.7),
)
BY_NAME = {kind.name: kind for kind in KINDS}
ORDER = (
    "full_power_ramp_high_c_per_s",
    "hold_duty",
    "cooling_time_constant_s",
    "channel_difference_at_peak",
    "coldest_peak_c",  # a changed set point or firmware moves all channels alike
    "channel_difference_cold",  # last of the sensors: an offset shows at peak too, and the cause looks at both anyway
    "setpoint_lag_s",
    "time_to_peak_s",
)
# When the first is missing the second stands in for it.
STAND_INS = {"full_power_ramp_high_c_per_s": "full_power_ramp_low_c_per_s", "hold_duty": "saturation_fraction"}
METRICS_NEEDED = (
    "full_power_ramp_high_c_per_s",
    "full_power_ramp_low_c_per_s",
    "hold_duty",
    "cooling_time_constant_s",
    "peak_c",
    "start_temperature_c",
    "setpoint_lag_s",
    "saturation_fraction",
    "time_to_peak_s",
    "overshoot_c",
    "cold_start_minus_room_c",
    "difference_cooling_c",
)


@dataclass(frozen=True)
class Series:
    """Values in run order of `comparable_runs`, in the charted unit (logarithm where the kind says so); NaN missing."""

    kind: SeriesKind
    channel: str | None
    values: Array

    @property
    def name(self) -> str:
        return self.kind.name


def build_series(order: Sequence[int], metrics: pd.DataFrame) -> dict[tuple[str, str | None], Series]:
    """Every series the metrics carry, keyed by (name, channel).

    `order`: run numbers; `metrics`: rows of metric_long.
    """
    usable = metrics[metrics["status"].isin(["ok"]) & metrics["value"].notna()]
    index = pd.Index(order, name="run")
    out: dict[tuple[str, str | None], Series] = {}
    for kind in KINDS:
        if kind.per_channel:
            continue
        column = _run_values(usable, kind.name, index)
        if column is not None:
            out[(kind.name, None)] = Series(kind, None, _charted(column, kind))
    peaks, starts = _by_channel(usable, "peak_c", index), _by_channel(usable, "start_temperature_c", index)
    for name, table in (("channel_difference_at_peak", peaks), ("channel_difference_cold", starts)):
        kind = BY_NAME[name]
        for channel, values in _differences(table).items():
            out[(name, channel)] = Series(kind, channel, values)
    cooling = _by_channel(usable, "difference_cooling_c", index)
    for channel in cooling.columns:
        kind = BY_NAME["channel_difference_cooling"]
        out[(kind.name, str(channel))] = Series(kind, str(channel), cooling[channel].to_numpy(dtype=float, copy=True))
    return out


def choose_watched(
    series: dict[tuple[str, str | None], Series], usable: NDArray[np.bool_], groups: Sequence[str]
) -> list[tuple[str, str | None]]:
    """The four to six series to watch, by order of what they tell.

    With two channels one difference tells both sides. A logarithm that scatters by more than MOST_SCATTER (a hold duty
    near zero, say) is not watched: it could not show a tenth of the power gone.
    """
    least = FEWEST_SHARE * int(usable.sum())
    labels = np.array(groups, dtype=object)[usable]

    def enough(key: tuple[str, str | None]) -> bool:
        if key not in series:
            return False
        values = series[key].values[usable]
        known = ~np.isnan(values)
        if int(known.sum()) < max(1.0, least):
            return False
        return not series[key].kind.logarithm or _scatter(values[known], labels[known]) <= MOST_SCATTER

    chosen: list[tuple[str, str | None]] = []
    for name in ORDER:
        if len(chosen) >= MOST_WATCHED:
            break
        if BY_NAME[name].per_channel:
            keys = sorted((k for k in series if k[0] == name and enough(k)), key=str)
            # The differences of n channels add up to zero: n - 1 of them carry everything; two at most are watched.
            chosen += keys[: min(2, max(0, len(keys) - 1))][: MOST_WATCHED - len(chosen)]
        elif enough((name, None)):
            chosen.append((name, None))
        elif name in STAND_INS and enough((STAND_INS[name], None)):
            chosen.append((STAND_INS[name], None))
    return chosen


def to_unit(kind: SeriesKind, change: float, level: float) -> float:
    """A change of the charted value as a change in the kind's unit, at the charted `level` it starts from."""
    return float(np.exp(level + change) - np.exp(level)) if kind.logarithm else float(change)


def _scatter(values: Array, groups: NDArray[np.object_]) -> float:
    """Scatter from neighbours of one group (median moving range over 0.954); 0 where no group has two runs."""
    ranges = [np.abs(np.diff(values[groups == name])) for name in dict.fromkeys(groups)]
    joined = np.concatenate(ranges) if ranges else np.empty(0)
    return float(np.median(joined)) / MEDIAN_RANGE_PAIR if len(joined) else 0.0


def _charted(values: Array, kind: SeriesKind) -> Array:
    if not kind.logarithm:
        return values
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(values > 0, np.log(np.where(values > 0, values, 1.0)), np.nan)


def _run_values(metrics: pd.DataFrame, name: str, index: pd.Index) -> Array | None:
    """One value a run: the run's own, else the median of its channels; the coldest for the peak."""
    source = {"coldest_peak_c": "peak_c", "room_difference": "cold_start_minus_room_c"}.get(name, name)
    rows = metrics[metrics["metric"] == source]
    if rows.empty:
        return None
    how = "min" if name == "coldest_peak_c" else "median"
    return rows.groupby("run")["value"].agg(how).reindex(index).to_numpy(dtype=float, copy=True)


def _by_channel(metrics: pd.DataFrame, name: str, index: pd.Index) -> pd.DataFrame:
    rows = metrics[(metrics["metric"] == name) & metrics["channel"].notna()]
    return rows.pivot_table(index="run", columns="channel", values="value", aggfunc="first").reindex(index)


def _differences(table: pd.DataFrame) -> dict[str, Array]:
    """Each channel less the mean of the others, where at least one other was read."""
    out: dict[str, Array] = {}
    for channel in table.columns:
        others = table.drop(columns=channel)
        values = (table[channel] - others.mean(axis=1)).to_numpy(dtype=float)
        if not np.isnan(values).all():
            out[str(channel)] = values
    return out
