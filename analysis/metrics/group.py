"""Result metrics of the run as a whole: differences between its channels, which share no average with them."""

from __future__ import annotations

import numpy as np

from analysis.metrics.basis import Basis
from analysis.metrics.plan import parameters
from analysis.metrics.sheet import Sheet

_NONE = parameters()
_ALONE = "fewer than two channels on the work: a spread needs two"


def add_group(sheet: Sheet, b: Basis) -> None:
    """Append spread at peak, spread at the end of each soak, and melt lag. Averages and air sensors take no part."""
    rows = np.flatnonzero(b.judged)
    if len(rows) < 2:
        sheet.run("spread_at_peak_c", _NONE, None, None, "not evaluated", _ALONE)
        for _, text in b.plan.soak_ends:
            sheet.run("spread_end_of_soak_c", text, None, None, "not evaluated", _ALONE)
        for _, text in b.plan.liquidus:
            sheet.run("melt_lag_s", text, None, None, "not evaluated", _ALONE)
        return
    _at_peak(sheet, b, rows)
    for high, text in b.plan.soak_ends:
        _at_soak_end(sheet, b, rows, high, text)
    for level, text in b.plan.liquidus:
        _melt_lag(sheet, b, rows, level, text)
    if not b.plan.liquidus:
        sheet.run("melt_lag_s", _NONE, None, None, "not evaluated", "no paste recorded, so no liquidus")


def _pair(b: Basis, first: int, last: int, share: tuple[float, float]) -> float:
    """Standard uncertainty [K] of the difference of two channels: own parts only, as the common ones cancel."""
    e = b.errors
    var = 0.0
    for row, part in zip((first, last), share, strict=True):
        var += float(e.offset_own[row] ** 2 + (e.grow_own[row] * part) ** 2 + e.random[row] ** 2)
    return var**0.5


def _at_peak(sheet: Sheet, b: Basis, rows) -> None:
    peaks = b.peak_c[rows]
    low, high = rows[peaks.argmin()], rows[peaks.argmax()]
    spread = float(b.peak_c[high] - b.peak_c[low])
    u = 2.0 * _pair(b, low, high, (1.0, 1.0))
    if b.cut_hot[rows].any():
        names = ", ".join(b.traces.names[row] for row in rows if b.cut_hot[row])
        sheet.run("spread_at_peak_c", _NONE, spread, u, "incomplete", f"the log ends near the peak of {names}")
    else:
        sheet.run("spread_at_peak_c", _NONE, spread, u)


def _at_soak_end(sheet: Sheet, b: Basis, rows, high: float, text: str) -> None:
    up = b.up(high)[rows]
    missing = np.isnan(up)
    if missing.any():
        names = ", ".join(b.traces.names[row] for row in rows[missing])
        sheet.run("spread_end_of_soak_c", text, None, None, "not reached", f"{high:g} °C not passed upwards by {names}")
        return
    moment = float(up.max())
    t, v = b.traces.t, b.traces.v
    i = min(max(int(np.searchsorted(t, moment)), 1), len(t) - 1)
    part = (moment - t[i - 1]) / (t[i] - t[i - 1])
    values = v[rows, i - 1] + part * (v[rows, i] - v[rows, i - 1])
    if np.isnan(values).any():
        reason = "a channel has no sample at that moment"
        sheet.run("spread_end_of_soak_c", text, None, None, "not evaluated", reason)
        return
    low, top = rows[values.argmin()], rows[values.argmax()]
    part_at = b.share(high)
    share = float(part_at[low]), float(part_at[top])
    sheet.run("spread_end_of_soak_c", text, float(values.max() - values.min()), 2.0 * _pair(b, low, top, share))


def _melt_lag(sheet: Sheet, b: Basis, rows, level: float, text: str) -> None:
    up = b.up(level)[rows]
    missing = np.isnan(up)
    if missing.any():
        names = ", ".join(b.traces.names[row] for row in rows[missing])
        sheet.run("melt_lag_s", text, None, None, "not reached", f"{level:g} °C not passed upwards by {names}")
        return
    first, last = rows[up.argmin()], rows[up.argmax()]
    worth = b.per_kelvin(level)
    e, share = b.errors, b.share(level)
    own = sum(
        float((worth[row] ** 2) * (e.offset_own[row] ** 2 + (e.grow_own[row] * share[row]) ** 2 + e.random[row] ** 2))
        for row in (first, last)
    )
    # a common error moves both passages, by different times where the slopes differ
    common = float(max(e.at(level)[first] ** 2 - e.offset_own[first] ** 2 - (e.grow_own[first] * share[first]) ** 2, 0))
    u = 2.0 * (own + common * float(worth[last] - worth[first]) ** 2) ** 0.5
    sheet.run("melt_lag_s", text, float(up.max() - up.min()), u)
