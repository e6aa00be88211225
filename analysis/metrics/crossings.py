"""When channels pass temperatures: the base of every metric that is a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_ROWS_AT_ONCE = 128  # so that what is in work stays in the cache
_BLOCK = 16  # samples that are looked at only where a level lies between their lowest and highest; a power of 2


@dataclass
class Crossings:
    """Passages of `levels` [°C] (rows, k), by linear interpolation between samples [s].

    A value equal to the level counts as above, so a segment lying exactly on the level counts in full.
    `above_s`: total time at or above the level. `up_s`: first passage upwards, NaN when there is none (never reached,
    or above from the first sample: see `starts_above`). The events behind them, in time order within row and level:
    `slot` = row * k + level, `at_s`, `upward`.
    """

    levels: FloatArray
    above_s: FloatArray
    up_s: FloatArray
    starts_above: NDArray[np.bool_]
    ends_above: NDArray[np.bool_]
    slot: NDArray[np.int64]
    at_s: FloatArray
    upward: NDArray[np.bool_]
    begin_s: FloatArray  # (rows,) first and last sample of each row
    end_s: FloatArray

    def first_down_after(self, moment_s: FloatArray, k: slice | NDArray[np.int64]) -> FloatArray:
        """First passage downwards after `moment_s` (rows,) for the levels `k`; NaN when there is none. (rows, len(k))"""
        rows, count = self.levels.shape
        keep = ~self.upward & (self.at_s >= moment_s[self.slot // count])
        found = np.full(rows * count, np.nan)
        found[self.slot[keep][::-1]] = self.at_s[keep][::-1]
        return found.reshape(rows, count)[:, k]


def crossings(t: FloatArray, v: FloatArray, levels: FloatArray, first: NDArray, last: NDArray) -> Crossings:
    """Find all passages.

    `t` [s] (n,) increasing, `v` [°C] (rows, n) with NaN only before `first` and after `last` of a row, `levels` [°C]
    (rows, k). A row that starts or ends above a level is counted from its first or to its last sample.
    """
    rows, count = levels.shape
    found = [
        np.add(_passed(v[begin:end], levels[begin:end]), [[begin * count], [0]])
        for begin, end in ((a, min(a + _ROWS_AT_ONCE, rows)) for a in range(0, rows, _ROWS_AT_ONCE))
    ]
    slot, i = np.concatenate(found, axis=1)
    row = slot // count
    v0, v1, t0, t1 = v[row, i], v[row, i + 1], t[i], t[i + 1]
    passed = levels.reshape(-1)[slot]
    at = t0 + (passed - v0) / (v1 - v0) * (t1 - t0)
    upward = v1 >= passed
    edge = np.isnan(at)
    if edge.any():  # the level was passed where the row starts or ends: count from the sample that exists
        at = np.where(edge, np.where(np.isnan(v0), t1, t0), at)
    r = np.arange(rows)
    starts_above, ends_above = v[r, first][:, None] >= levels, v[r, last][:, None] >= levels
    signed = np.where(upward, -at, at)
    total = np.asarray(np.bincount(slot, weights=signed, minlength=rows * count), dtype=np.float64).reshape(rows, count)
    # a row whose first sample is not the first of the run has its "upward" event at that sample already
    total = total + np.where(v[:, -1:] >= levels, t[-1], 0.0) - np.where(v[:, :1] >= levels, t[0], 0.0)
    up = np.full(rows * count, np.nan)
    real = upward & ~edge if edge.any() else upward
    up[slot[real][::-1]] = at[real][::-1]
    up = up.reshape(rows, count)
    if starts_above.any():
        up = np.where(starts_above, np.nan, up)
    return Crossings(levels, total, up, starts_above, ends_above, slot, at, upward, t[first], t[last])


def _passed(v: FloatArray, levels: FloatArray) -> NDArray[np.int64]:
    """Where a row passes a level: the slot of both and the sample before, in their order (2, passages). A missing sample
    is below."""
    n, count = v.shape[1], levels.shape[1]
    blocks = -(-(n - 1) // _BLOCK)
    if blocks == 0:
        return np.empty((2, 0), dtype=np.int64)
    # the last sample again and again, so that blocks are full; each block ends with the first sample of the next
    padded = np.concatenate((v, np.repeat(v[:, -1:], blocks * _BLOCK + 1 - n, axis=1)), axis=1)
    if np.isnan(v[:, 0]).any() or np.isnan(v[:, -1]).any():
        padded = np.where(np.isnan(padded), -np.inf, padded)
    low = high = padded[:, :-1]
    while low.shape[1] > blocks:  # by halves: numpy is slow along short stretches
        low, high = np.minimum(low[:, ::2], low[:, 1::2]), np.maximum(high[:, ::2], high[:, 1::2])
    after = padded[:, _BLOCK::_BLOCK]
    low, high = np.minimum(low, after), np.maximum(high, after)
    level = levels[:, :, None]
    slot, block = np.divmod(np.flatnonzero((low[:, None, :] < level) & (high[:, None, :] >= level)), blocks)
    seen = np.lib.stride_tricks.sliding_window_view(padded, _BLOCK + 1, axis=1)[:, ::_BLOCK]
    above = seen[slot // count, block] >= levels.reshape(-1)[slot, None]
    at, step = np.divmod(np.flatnonzero(above[:, 1:] != above[:, :-1]), _BLOCK)
    return np.array((slot[at], block[at] * _BLOCK + step))


def intervals_above(c: Crossings, k: int, dip_k: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Number of separate stretches at or above level `k`, and the time above of the longest [s].

    A stretch ends only where the row also falls below the lower level `dip_k` (column of the same Crossings): a sample
    or two of noise on a slow passage is not an interruption.
    """
    count = c.levels.shape[1]
    number = (c.above_s[:, k] > 0).astype(np.int64)
    longest = c.above_s[:, k].copy()
    here = c.slot % count == k
    row_of, up_of = c.slot[here] // count, c.upward[here]
    rows = len(number)
    ups, downs = np.bincount(row_of[up_of], minlength=rows), np.bincount(row_of[~up_of], minlength=rows)
    for row in np.flatnonzero((ups + downs > 2) | (ups > 1)):
        number[row], longest[row] = _joined(c, int(row), k, dip_k)
    return number, longest


def _joined(c: Crossings, row: int, k: int, dip_k: int) -> tuple[int, float]:
    """Stretches of one row that passes the level several times, and the time above of the longest [s]."""
    count = c.levels.shape[1]
    first, after = np.searchsorted(c.slot, (row * count + k, row * count + k + 1))
    at, upward = c.at_s[first:after], c.upward[first:after]
    ups, downs = at[upward], at[~upward]
    if c.starts_above[row, k] and (len(ups) == 0 or downs[0] < ups[0]):
        ups = np.concatenate((c.begin_s[row : row + 1], ups))
    if len(downs) < len(ups):
        downs = np.append(downs, c.end_s[row])
    first, after = np.searchsorted(c.slot, (row * count + dip_k, row * count + dip_k + 1))
    dips = c.at_s[first:after][~c.upward[first:after]]
    # a new stretch begins where a dip lies between the end of one and the start of the next
    broken = np.searchsorted(dips, ups[1:]) > np.searchsorted(dips, downs[:-1])
    group = np.concatenate(([0], np.cumsum(broken)))
    return int(group[-1]) + 1, float(np.bincount(group, weights=downs - ups).max())
