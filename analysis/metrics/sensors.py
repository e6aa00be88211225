"""Sensor metrics: what a channel tells about itself, cold and against its group."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.metrics.basis import LAG_CLIMB_K, LAG_LEVELS, Basis
from analysis.metrics.plan import parameters
from analysis.metrics.sheet import Sheet
from analysis.metrics.traces import BoolArray, FloatArray, Traces, joined, median

_NONE = parameters()
NO_CLIMB = f"the channels share less than {LAG_CLIMB_K:g} K of climb to compare on"
COLD_START_C = 35.0  # °C: warmer than any workshop; with a known room, COLD_OVER_ROOM_K above it
COLD_OVER_ROOM_K = 8.0  # K: a rack that has come down to this holds no gradient worth a kelvin between channels
MOVING_C_PER_S = 0.5  # °C/s: a group that moves this fast cannot repeat values by being at rest
MOVING_WINDOW_S = 20.0  # s: that of the ramps
MOVING_S = 20.0  # s of such movement needed


def add_sensors(sheet: Sheet, b: Basis) -> None:
    """Append the sensor metrics."""
    e = b.errors
    cold_u = 2.0 * np.sqrt(e.offset**2 + e.random**2)
    sheet.channels("start_temperature_c", _NONE, b.start_c, cold_u)
    _cold_start(sheet, b)
    _lag(sheet, b)
    _repeats(sheet, b)
    n = len(b.traces.t)
    if n < 3:
        sheet.declined("noise_c", _NONE, "fewer than three samples")
    else:
        sheet.channels("noise_c", _NONE, b.noise_k, 2.0 * b.noise_k / np.sqrt(n))
    sheet.channels("dropouts", _NONE, _dropouts(b))


def _cold_start(sheet: Sheet, b: Basis) -> None:
    tr, e = b.traces, b.errors
    start = median(tr.by_run(b.start_c), axis=1)
    unknown = np.isnan(b.ambient_c)
    limit = np.where(unknown, COLD_START_C, b.ambient_c + COLD_OVER_ROOM_K)
    warm = start > limit
    counted = tr.by_run(~tr.averages)
    alone = counted.sum(axis=1) < 2
    of_run, first = tr.by_run(b.start_c), np.arange(tr.runs) * tr.per
    low = first + np.where(counted, of_run, np.inf).argmin(axis=1)
    high = first + np.where(counted, of_run, -np.inf).argmax(axis=1)
    own = e.offset_own**2 + e.random**2

    def why(run: int) -> str:
        if warm[run]:
            return f"not a cold start: {start[run]:.1f} °C is above {limit[run]:.1f} °C"
        return "fewer than two channels"

    spread = np.where(warm | alone, np.nan, b.start_c[high] - b.start_c[low])
    u = 2.0 * np.sqrt(own[low] + own[high])
    sheet.of_runs("cold_start_spread_c", _NONE, spread, u, absent=("not evaluated", why))
    over = np.where(tr.to_rows(warm), np.nan, b.start_c - tr.to_rows(b.ambient_c))
    u = 2.0 * np.sqrt(e.offset**2 + e.random**2 + 1.0 / 3.0)  # a room thermometer good to 1 K
    not_known = "room temperature not recorded"
    absent = (
        not_known
        if bool((unknown & ~warm).all())
        else lambda row: why(row // tr.per) if warm[row // tr.per] else not_known
    )
    sheet.channels("cold_start_minus_room_c", _NONE, over, u, absent=("not evaluated", absent))


def _lag(sheet: Sheet, b: Basis) -> None:
    name = "channel_lag_s"
    alone = b.work.sum(axis=1) < 2
    able = ~alone & ~np.isnan(b.lag_levels[:, 0])
    lag = np.full(b.lag_up_s.shape, np.nan)
    if able.any():
        lag = b.lag_up_s - _median_of_others(b.traces.by_run(b.lag_up_s), b.work, able).reshape(lag.shape)
    value = median(lag, axis=1)
    u = 2.0 * lag.std(axis=1, ddof=1) / LAG_LEVELS**0.5

    def why(row: int) -> str:
        run = row // b.traces.per
        if alone[run]:
            return "no other channel on the work to compare with"
        return "the channel does not climb with its group" if able[run] else NO_CLIMB

    sheet.channels(name, _NONE, value, u, absent=("not evaluated", why))


def _median_of_others(up: FloatArray, work: BoolArray, able: BoolArray) -> FloatArray:
    """For every channel of the runs that are `able`, the median of the group without the channel itself, level by level.

    `up` (runs, per, levels); the group of a run are its channels in `work` (runs, per). NaN for the other runs.
    """
    result = np.full(up.shape, np.nan)
    for group in np.unique(work[able], axis=0):  # nearly always one: all channels
        runs = np.flatnonzero(able & (work == group).all(axis=1))
        members = np.flatnonzero(group)
        of_group = up[np.ix_(runs, members)]
        found = np.repeat(median(of_group, axis=1)[:, None], up.shape[1], axis=1)
        for place, member in enumerate(members):
            found[:, member] = median(np.delete(of_group, place, axis=1), axis=1)
        result[runs] = found
    return result


def _repeats(sheet: Sheet, b: Basis) -> None:
    name, tr = "repeat_fraction", b.traces
    slopes = b.steepest(MOVING_WINDOW_S)
    if slopes is None:
        sheet.declined(name, _NONE, "the log is too short to see the group move")
        return
    at = np.clip(np.searchsorted(slopes.middle_s, tr.t[1:]) - 1, 0, len(slopes.middle_s) - 1)
    moving = (slopes.group >= MOVING_C_PER_S)[:, at]
    found = [_repeated(part, moving[rows.start // tr.per : rows.stop // tr.per]) for rows, part in tr.parts()]
    seconds, count, same = (joined(parts) for parts in zip(*found, strict=True))
    still = seconds < MOVING_S
    value = np.where(count > 0, same / np.maximum(count, 1), np.nan)
    u = 2.0 * np.sqrt(value * (1.0 - value) / np.maximum(count, 1))

    def why(row: int) -> str:
        run = row // tr.per
        if still[run]:
            return f"the group moves faster than {MOVING_C_PER_S:g} °C/s for {seconds[run]:.0f} s only"
        return "the channel has no samples while the group moves"

    sheet.channels(name, _NONE, value, u, absent=("not evaluated", why))


def _dropouts(b: Basis) -> FloatArray:
    """Separate stretches of missing samples of each channel, at its ends too."""
    tr = b.traces
    if tr.whole:
        return np.zeros(tr.rows)
    gone = np.pad(~tr.present, ((0, 0), (1, 0)))
    return (gone[:, 1:] & ~gone[:, :-1]).sum(axis=1).astype(np.float64)


def _repeated(tr: Traces, moving: BoolArray) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    """For how long the group of each run is `moving` (runs, steps) [s], and of each row the steps meanwhile, where it is
    for long enough, and those that repeat the value."""
    seconds = np.where(moving, tr.t[1:] - tr.t[:-1], 0.0).sum(axis=1)
    moving = moving & (seconds >= MOVING_S)[:, None]
    v = tr.by_run(tr.v)
    if tr.whole:
        use = moving[:, None, :]
        count = tr.to_rows(moving.sum(axis=1))
    else:
        use = moving[:, None, :] & tr.by_run(tr.present[:, 1:] & tr.present[:, :-1])
        count = use.sum(axis=2).ravel()
    return seconds, count, ((v[:, :, 1:] == v[:, :, :-1]) & use).sum(axis=2).ravel()
