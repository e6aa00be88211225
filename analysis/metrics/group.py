"""Metrics of the channels against each other: differences, which need no room thermometer and no true value."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from analysis.metrics.basis import Basis
from analysis.metrics.plan import COOLING_FRACTIONS, parameters
from analysis.metrics.sheet import Sheet
from analysis.metrics.traces import FloatArray, median
from analysis.results import MetricStatus

_NONE = parameters()
_COOLING = parameters(from_fraction=COOLING_FRACTIONS[0], to_fraction=COOLING_FRACTIONS[1])
FEWEST_SAMPLES = 5  # in the stretch of cooling that is averaged
_ALONE = "fewer than two channels on the work: a spread needs two"
Ends = NDArray[np.int64]  # (runs,) a row of each run


def add_group(sheet: Sheet, b: Basis) -> None:
    """Append spread at peak, spread at the end of each soak, melt lag, and each channel's difference while cooling.
    Averages and air sensors take no part."""
    alone = b.work.sum(axis=1) < 2
    _at_peak(sheet, b, alone)
    _in_cooling(sheet, b, alone)
    for high, text in b.plan.soak_ends:
        _at_soak_end(sheet, b, alone, high, text)
    for level, text in b.plan.liquidus:
        _melt_lag(sheet, b, alone, level, text)
    if not b.plan.liquidus:
        sheet.declined("melt_lag_s", _NONE, "no paste recorded, so no liquidus", of_channels=False)


def _ends(b: Basis, values: FloatArray) -> tuple[Ends, Ends, FloatArray]:
    """Of `values` (rows,): the rows of each run's lowest and highest on the work, and the difference."""
    work, of_run = b.work, b.traces.by_run(values)
    first = np.arange(b.traces.runs) * b.traces.per
    low = first + np.where(work, of_run, np.inf).argmin(axis=1)
    high = first + np.where(work, of_run, -np.inf).argmax(axis=1)
    return low, high, values[high] - values[low]


def _pair(b: Basis, low: Ends, high: Ends, share: FloatArray) -> FloatArray:
    """Expanded uncertainty [K] of the difference of two channels: own parts only, as the common ones cancel.

    `share` (rows,): the part of the growing error that is there.
    """
    e = b.errors
    own = e.offset_own**2 + (e.grow_own * share) ** 2 + e.random**2
    return 2.0 * np.sqrt(own[low] + own[high])


def _names(b: Basis, run: int, marked: NDArray[np.bool_]) -> str:
    """The channels on the work of a run that are marked (rows,), by name."""
    own = range(run * b.traces.per, (run + 1) * b.traces.per)
    return ", ".join(b.traces.names[row] for row in own if b.judged[row] and marked[row])


def _at_peak(sheet: Sheet, b: Basis, alone: NDArray[np.bool_]) -> None:
    low, high, spread = _ends(b, b.peak_c)
    u = _pair(b, low, high, np.ones(b.traces.rows))
    cut = (b.work & b.traces.by_run(b.cut_hot)).any(axis=1) & ~alone
    sheet.of_runs(
        "spread_at_peak_c",
        _NONE,
        np.where(alone, np.nan, spread),
        u,
        absent=("not evaluated", _ALONE),
        incomplete=(cut, lambda run: f"the log ends near the peak of {_names(b, run, b.cut_hot)}"),
    )


def _in_cooling(sheet: Sheet, b: Basis, alone: NDArray[np.bool_]) -> None:
    """Each channel less the mean of the others on the work, while their mean falls through a fixed part of its height.

    A sensor that reads wrong in proportion is off here by the same part of the height as at the peak, one with an
    offset by all of it; a side that gets less heat comes nearer to the others, as they share the heat that is left.
    """
    tr, e = b.traces, b.errors
    count = b.work.sum(axis=1)
    v = tr.by_run(tr.v)
    mean = np.where(b.work[:, :, None], v, 0.0).sum(axis=1) / np.maximum(count, 1)[:, None]
    hot = np.where(np.isnan(mean), -np.inf, mean)
    at = np.arange(len(tr.t))
    later = at > hot.argmax(axis=1)[:, None]
    room = median(tr.by_run(e.room_c), axis=1)
    top, bottom = (room + f * (hot.max(axis=1) - room) for f in COOLING_FRACTIONS)
    gone = later & (mean < bottom[:, None])
    reached = np.asarray(gone.any(axis=1))
    inside = later & (mean <= top[:, None]) & (at < gone.argmax(axis=1)[:, None])
    samples = inside.sum(axis=1)
    sound = reached & (samples >= FEWEST_SAMPLES) & ~alone
    own = np.where(inside[:, None, :], v, 0.0).sum(axis=2) / np.maximum(samples, 1)[:, None]
    of_all = np.where(b.work, own, 0.0).sum(axis=1) / np.maximum(count, 1)
    others = np.maximum(count - 1, 1)[:, None]
    difference = np.where(b.work & sound[:, None], (own - of_all[:, None]) * count[:, None] / others, np.nan)
    variance = (
        e.offset_own**2 + (e.grow_own * e.share(own.ravel())) ** 2 + e.random**2 / np.maximum(tr.to_rows(samples), 1)
    )
    variance = tr.by_run(variance)
    shared = (np.where(b.work, variance, 0.0).sum(axis=1)[:, None] - variance) / others**2

    def why(row: int) -> str:
        run = row // tr.per
        if alone[run]:
            return _ALONE
        if not b.work.ravel()[row]:
            return "an average, or it measures the air"
        if not reached[run]:
            return f"the log ends before {bottom[run]:.0f} °C ({COOLING_FRACTIONS[1]:.0%} of the height above the room)"
        return f"fewer than {FEWEST_SAMPLES} samples in that stretch"

    u = 2.0 * np.sqrt(np.maximum(variance + shared, 0.0)).ravel()
    sheet.channels("difference_cooling_c", _COOLING, difference.ravel(), u, absent=("not evaluated", why))


def _why_not(
    b: Basis, alone: NDArray[np.bool_], missing: NDArray[np.bool_], level: float
) -> Callable[[int], tuple[MetricStatus, str]]:
    """Why a run has no moment at which all its channels on the work have passed a level."""

    def why(run: int) -> tuple[MetricStatus, str]:
        if alone[run]:
            return "not evaluated", _ALONE
        names = _names(b, run, missing)
        if names:
            return "not reached", f"{level:g} °C not passed upwards by {names}"
        return "not evaluated", "a channel has no sample at that moment"

    return why


def _at_soak_end(sheet: Sheet, b: Basis, alone: NDArray[np.bool_], high: float, text: str) -> None:
    tr = b.traces
    up = b.up(high)
    missing = np.isnan(up)
    able = ~(alone | (b.work & tr.by_run(missing)).any(axis=1))
    moment = np.where(able, np.where(b.work, tr.by_run(up), -np.inf).max(axis=1), 0.0)
    t, r = tr.t, np.arange(tr.rows)
    i = np.clip(np.searchsorted(t, moment), 1, max(len(t) - 1, 1))
    if len(t) < 2:
        able[:] = False
        values = np.full(tr.rows, np.nan)
    else:
        part = (moment - t[i - 1]) / (t[i] - t[i - 1])
        at, part = tr.to_rows(i), tr.to_rows(part)
        values = tr.v[r, at - 1] + part * (tr.v[r, at] - tr.v[r, at - 1])
    able &= ~(b.work & np.isnan(tr.by_run(values))).any(axis=1)
    low, top, spread = _ends(b, values)
    sheet.of_runs(
        "spread_end_of_soak_c",
        text,
        np.where(able, spread, np.nan),
        _pair(b, low, top, b.share(high)),
        absent=_why_not(b, alone, missing, high),
    )


def _melt_lag(sheet: Sheet, b: Basis, alone: NDArray[np.bool_], level: float, text: str) -> None:
    up = b.up(level)
    missing = np.isnan(up)
    able = ~(alone | (b.work & b.traces.by_run(missing)).any(axis=1))
    first, last, lag = _ends(b, np.where(missing, 0.0, up))
    worth = b.per_kelvin(level)
    e, share = b.errors, b.share(level)
    own = worth**2 * (e.offset_own**2 + (e.grow_own * share) ** 2 + e.random**2)
    # a common error moves both passages, by different times where the slopes differ
    common = np.maximum(e.at(level) ** 2 - e.offset_own**2 - (e.grow_own * share) ** 2, 0.0)[first]
    u = 2.0 * np.sqrt(own[first] + own[last] + common * (worth[last] - worth[first]) ** 2)
    sheet.of_runs(
        "melt_lag_s",
        text,
        np.where(able, lag, np.nan),
        np.where(able, u, np.nan),
        absent=_why_not(b, alone, missing, level),
    )
