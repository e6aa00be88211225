"""Sensor metrics: what a channel tells about itself, cold and against its group."""

from __future__ import annotations

import numpy as np

from analysis.metrics.basis import LAG_CLIMB_K, LAG_LEVELS, Basis
from analysis.metrics.plan import parameters
from analysis.metrics.sheet import Sheet
from analysis.metrics.traces import FloatArray, median

_NONE = parameters()
NO_CLIMB = f"the channels share less than {LAG_CLIMB_K:g} K of climb to compare on"
COLD_START_C = 35.0  # °C: warmer than any workshop; with a known room, COLD_OVER_ROOM_K above it
COLD_OVER_ROOM_K = 8.0  # K: a rack that has come down to this holds no gradient worth a kelvin between channels
MOVING_C_PER_S = 0.5  # °C/s: a group that moves this fast cannot repeat values by being at rest
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
    room = b.context.ambient_c
    start = float(median(b.start_c))
    limit = COLD_START_C if room is None else room + COLD_OVER_ROOM_K
    rows = np.flatnonzero(~b.traces.averages)
    if start > limit:
        reason = f"not a cold start: {start:.1f} °C is above {limit:.1f} °C"
        sheet.run("cold_start_spread_c", _NONE, None, None, "not evaluated", reason)
        sheet.declined("cold_start_minus_room_c", _NONE, reason)
        return
    if len(rows) < 2:
        reason = "fewer than two channels"
        sheet.run("cold_start_spread_c", _NONE, None, None, "not evaluated", reason)
    else:
        values = b.start_c[rows]
        low, high = rows[values.argmin()], rows[values.argmax()]
        e = b.errors
        u = 2.0 * float(sum(e.offset_own[row] ** 2 + e.random[row] ** 2 for row in (low, high))) ** 0.5
        sheet.run("cold_start_spread_c", _NONE, float(values.max() - values.min()), u)
    if room is None:
        sheet.declined("cold_start_minus_room_c", _NONE, "room temperature not recorded")
    else:
        e = b.errors
        u = 2.0 * np.sqrt(e.offset**2 + e.random**2 + 1.0 / 3.0)  # a room thermometer good to 1 K
        sheet.channels("cold_start_minus_room_c", _NONE, b.start_c - room, u)


def _lag(sheet: Sheet, b: Basis) -> None:
    name = "channel_lag_s"
    rows = np.flatnonzero(b.judged)
    if len(rows) < 2:
        sheet.declined(name, _NONE, "no other channel on the work to compare with")
        return
    if b.lag_levels is None:
        sheet.declined(name, _NONE, NO_CLIMB)
        return
    lag = b.lag_up_s - _median_of_others(b.lag_up_s, rows)
    value = median(lag, axis=1)
    u = 2.0 * lag.std(axis=1, ddof=1) / LAG_LEVELS**0.5
    sheet.channels(name, _NONE, value, u, absent=("not evaluated", "the channel does not climb with its group"))


def _median_of_others(up: FloatArray, rows) -> FloatArray:
    """For every row, the median of the group `rows` without the row itself, column by column."""
    group = up[rows]
    count = len(rows)
    ordered = np.sort(group, axis=0)
    outside = median(group, axis=0)
    result = np.broadcast_to(outside, up.shape).copy()
    rank = np.empty_like(group, dtype=np.int64)
    order = np.argsort(group, axis=0, kind="stable")
    np.put_along_axis(rank, order, np.broadcast_to(np.arange(count)[:, None], group.shape), axis=0)
    m = count - 1

    def other(i: int) -> FloatArray:  # the i-th of the others: skip the own place
        return np.where(rank <= i, ordered[i + 1], ordered[i])

    result[rows] = other(m // 2) if m % 2 else (other(m // 2 - 1) + other(m // 2)) / 2.0
    return result


def _repeats(sheet: Sheet, b: Basis) -> None:
    name = "repeat_fraction"
    begin, end, slope, _ = b.slopes_over(20.0)
    tr = b.traces
    if slope.shape[1] == 0:
        sheet.declined(name, _NONE, "the log is too short to see the group move")
        return
    group = np.abs(median(slope, axis=0))
    middle = (begin + end) / 2.0
    at = np.searchsorted(middle, tr.t[1:]) - 1
    moving = group[np.clip(at, 0, len(group) - 1)] >= MOVING_C_PER_S
    seconds = float((tr.t[1:] - tr.t[:-1])[moving].sum())
    if seconds < MOVING_S:
        sheet.declined(name, _NONE, f"the group moves faster than {MOVING_C_PER_S:g} °C/s for {seconds:.0f} s only")
        return
    same = tr.v[:, 1:] == tr.v[:, :-1]
    use = np.broadcast_to(moving, same.shape) if tr.whole else moving & tr.present[:, 1:] & tr.present[:, :-1]
    count = use.sum(axis=1)
    value = np.where(count > 0, (same & use).sum(axis=1) / np.maximum(count, 1), np.nan)
    u = 2.0 * np.sqrt(value * (1.0 - value) / np.maximum(count, 1))
    sheet.channels(name, _NONE, value, u, absent=("not evaluated", "the channel has no samples while the group moves"))


def _dropouts(b: Basis) -> FloatArray:
    """Separate stretches of missing samples of each channel, at its ends too."""
    tr = b.traces
    if tr.whole:
        return np.zeros(tr.rows)
    gone = np.pad(~tr.present, ((0, 0), (1, 0)))
    return (gone[:, 1:] & ~gone[:, :-1]).sum(axis=1).astype(np.float64)
