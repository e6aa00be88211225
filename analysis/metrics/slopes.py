"""Slopes by least squares over a window of time: differences between samples are useless at real noise and resolution."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.metrics.traces import BoolArray, Traces, median

FloatArray = NDArray[np.float64]
MIN_SAMPLES = 3  # a line through two samples has no scatter to average


@dataclass(frozen=True)
class Steepest:
    """Of every row the steepest window that ends before its peak, and the steepest downwards that begins after it: `slope`
    [°C/s], positive, NaN where there is none, and `lever` [s²]. (2, rows), the rise first.

    `middle_s` (windows,): the middle of each window; `group` (runs, windows): how steep the median of a run's rows is in it.
    """

    slope: FloatArray
    lever: FloatArray
    middle_s: FloatArray
    group: FloatArray


def steepest(traces: Traces, window_s: float, peak_s: FloatArray) -> Steepest | None:
    """None when the recording is shorter than the window."""
    slopes, levers, groups = [], [], []
    begin = end = np.empty(0)
    for rows, part in traces.parts():
        begin, end, slope, lever = window_slopes(part, window_s)
        if slope.shape[1] == 0:
            return None
        peak = peak_s[rows]
        # only the windows that lie on that side of the peak in some row
        rises = slice(0, max(int(np.searchsorted(end, peak.max(), side="right")), 1))
        falls = slice(min(int(np.searchsorted(begin, peak.min())), len(end) - 1), None)
        gaps = bool(np.isnan(lever[:1] if part.whole else lever).any())
        up = _largest(slope[:, rises], lever[:, rises], end[rises] <= peak[:, None], gaps)
        down = _largest(-slope[:, falls], lever[:, falls], begin[falls] >= peak[:, None], gaps)
        slopes.append(np.array((up[0], down[0])))
        levers.append(np.array((up[1], down[1])))
        groups.append(np.abs(median(part.by_run(slope), axis=1)))
    return Steepest(
        np.concatenate(slopes, axis=1), np.concatenate(levers, axis=1), (begin + end) / 2.0, np.concatenate(groups)
    )


def _largest(slope: FloatArray, lever: FloatArray, usable: BoolArray, gaps: bool) -> tuple[FloatArray, FloatArray]:
    if gaps:
        usable = usable & ~np.isnan(slope)
    signed = np.where(usable, slope, -np.inf)
    at = signed.argmax(axis=1)
    rows = np.arange(len(at))
    best = signed[rows, at]
    return np.where(np.isfinite(best), best, np.nan), lever[rows, at]


def window_slopes(traces: Traces, window_s: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Least-squares slope of every window that starts at a sample and is `window_s` long.

    Windows are stretches of time, not numbers of samples, so irregular sampling is handled; a window reaches from its
    first sample to the last one not later than `window_s` after it. Missing samples take no part; a window with fewer
    than three samples, or whose samples span less than half of it, has no slope (NaN).

    Returns `begin_s`, `end_s` (m,) and `slope` [°C/s], `lever` [s²] (the sum of squared times about their mean, which
    divides the variance of the noise) (rows, m). m is 0 when the recording is shorter than the window.
    """
    t, v = traces.t, traces.v
    rows, n = v.shape
    if n < MIN_SAMPLES or t[-1] - t[0] < window_s - 1e-9:
        none = np.empty((rows, 0))
        return np.empty(0), np.empty(0), none, none
    end = np.searchsorted(t, t + window_s + 1e-9, side="right")
    starts = int(np.searchsorted(t, t[-1] - window_s + 1e-9, side="right"))
    begin, end = np.arange(starts), end[:starts]
    # Three samples that span half the window have at least this; less is the rounding of sums over a clock that leaps.
    least = window_s**2 / 16
    # times about the middle of the run and values about a middle temperature keep the running sums small
    x = t - t[n // 2]
    if traces.whole:
        sums = np.empty((2, n + 1))
        sums[:, 0] = 0.0
        np.cumsum(x, out=sums[0, 1:])
        np.cumsum(x * x, out=sums[1, 1:])
        count = (end - begin).astype(np.float64)
        # evenly sampled: every window has the same number of samples, and its sums are a slice
        even = int(end[-1] - end[0]) == len(end) - 1
        last = slice(int(end[0]), int(end[-1]) + 1) if even else end
        sx, sxx = sums[:, last] - sums[:, :starts]
        y = v - 150.0
        ysums = np.empty((2 * rows, n + 1))
        ysums[:, 0] = 0.0
        np.cumsum(y, axis=1, out=ysums[:rows, 1:])
        y *= x
        np.cumsum(y, axis=1, out=ysums[rows:, 1:])
        part = ysums[:, last] - ysums[:, :starts]
        sy, sxy = part[:rows], part[rows:]
        lever = sxx - sx * sx / count
        enough = (count >= MIN_SAMPLES) & (t[end - 1] - t[begin] >= window_s / 2)
        lever = np.where(enough & (lever >= least), lever, np.nan)
        sy *= sx  # in place: (sxy - sx * sy / count) / lever
        sy /= count
        sxy -= sy
        sxy /= lever
        return t[begin], t[end - 1], sxy, np.broadcast_to(lever, sxy.shape)
    w = traces.present.astype(np.float64)
    y = np.where(traces.present, v - 150.0, 0.0)
    stacked = np.concatenate((w, w * x, w * x * x, y, y * x))
    sums = np.zeros((5 * rows, n + 1))
    np.cumsum(stacked, axis=1, out=sums[:, 1:])
    count, sx, sxx, sy, sxy = (sums[:, end] - sums[:, begin]).reshape(5, rows, starts)
    seen = np.where(traces.present, t, np.nan)
    # the span of the samples present: next one at or after the window's start, last one at or before its end
    following = np.minimum.accumulate(np.where(np.isnan(seen), np.inf, seen)[:, ::-1], axis=1)[:, ::-1]
    preceding = np.maximum.accumulate(np.where(np.isnan(seen), -np.inf, seen), axis=1)
    enough = (count >= MIN_SAMPLES) & (preceding[:, end - 1] - following[:, begin] >= window_s / 2)
    count = np.where(enough, count, 1.0)
    lever = sxx - sx * sx / count
    lever = np.where(enough & (lever >= least), lever, np.nan)
    return t[begin], t[end - 1], (sxy - sx * sy / count) / lever, lever
