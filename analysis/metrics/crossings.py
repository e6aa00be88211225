"""When channels pass temperatures: the base of every metric that is a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


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
    n = len(t)
    above = v[:, None, :] >= levels[:, :, None]
    changes = np.flatnonzero(above[:, :, 1:] != above[:, :, :-1])
    slot, i = np.divmod(changes, max(n - 1, 1))
    row = slot // count
    v0, v1, t0, t1 = v[row, i], v[row, i + 1], t[i], t[i + 1]
    at = t0 + (levels.reshape(-1)[slot] - v0) / (v1 - v0) * (t1 - t0)
    upward = above.reshape(rows * count, n)[slot, i + 1]
    edge = np.isnan(at)
    if edge.any():  # the level was passed where the row starts or ends: count from the sample that exists
        at = np.where(edge, np.where(np.isnan(v0), t1, t0), at)
    r = np.arange(rows)
    starts_above, ends_above = above[r, :, first], above[r, :, last]
    signed = np.where(upward, -at, at)
    total = np.asarray(np.bincount(slot, weights=signed, minlength=rows * count), dtype=np.float64).reshape(rows, count)
    # a row whose first sample is not the first of the run has its "upward" event at that sample already
    total = total + np.where(above[:, :, -1], t[-1], 0.0) - np.where(above[:, :, 0], t[0], 0.0)
    up = np.full(rows * count, np.nan)
    real = upward & ~edge if edge.any() else upward
    up[slot[real][::-1]] = at[real][::-1]
    up = up.reshape(rows, count)
    if starts_above.any():
        up = np.where(starts_above, np.nan, up)
    return Crossings(levels, total, up, starts_above, ends_above, slot, at, upward, t[first], t[last])


def intervals_above(c: Crossings, k: int, dip_k: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Number of separate stretches at or above level `k`, and the time above of the longest [s].

    A stretch ends only where the row also falls below the lower level `dip_k` (column of the same Crossings): a sample
    or two of noise on a slow passage is not an interruption.
    """
    rows, count = c.levels.shape
    number = np.zeros(rows, dtype=np.int64)
    longest = np.zeros(rows)
    for row in range(rows):
        here = c.slot == row * count + k
        ups, downs = c.at_s[here & c.upward], c.at_s[here & ~c.upward]
        if len(ups) + len(downs) <= 2 and len(ups) <= 1:
            number[row] = int(c.above_s[row, k] > 0)
            longest[row] = c.above_s[row, k]
            continue
        if c.starts_above[row, k] and (len(ups) == 0 or downs[0] < ups[0]):
            ups = np.concatenate((c.begin_s[row : row + 1], ups))
        if len(downs) < len(ups):
            downs = np.append(downs, c.end_s[row])
        dips = c.at_s[(c.slot == row * count + dip_k) & ~c.upward]
        # a new stretch begins where a dip lies between the end of one and the start of the next
        broken = np.searchsorted(dips, ups[1:]) > np.searchsorted(dips, downs[:-1])
        group = np.concatenate(([0], np.cumsum(broken)))
        number[row] = group[-1] + 1
        longest[row] = np.bincount(group, weights=downs - ups).max()
    return number, longest
