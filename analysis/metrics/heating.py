"""Result metrics of each channel: peak, times above temperatures, soak, ramps, cooling (definitions: quantities)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from analysis.idle_inputs import is_idle
from analysis.metrics.basis import COOLED_K, GAP_S, NEAR_K, Basis, half_span
from analysis.metrics.crossings import intervals_above
from analysis.metrics.plan import parameters
from analysis.metrics.sheet import Sheet
from analysis.metrics.traces import FloatArray
from analysis.results import MetricStatus

_NONE = parameters()


def add_heating(sheet: Sheet, b: Basis) -> None:
    """Append the result metrics of all channels."""
    _peak(sheet, b)
    _liquidus(sheet, b)
    _soaks(sheet, b)
    _ramps_up(sheet, b)
    _to_peak(sheet, b)
    _near_peak(sheet, b)
    _cooling(sheet, b)


def _cut(b: Basis):
    """Rows cut off near their peak, and the words for it."""
    return (
        b.cut_hot,
        lambda row: (
            f"the log ends {b.traces.t[b.traces.last[row]] - b.peak_end_s[row]:.0f} s after the highest value, "
            f"less than {COOLED_K:.0f} K below it: at least this much"
        ),
    )


def _gap(b: Basis, stretch: Callable[[], tuple[FloatArray, FloatArray]], sound=None):
    """Adds to an incomplete mask the rows with a long hole in the samples within a stretch: two moments (rows,)."""
    wide = b.traces.gap_s > np.maximum(GAP_S, 3.0 * b.traces.step_s)
    if not wide.any():
        return sound
    begin, end = stretch()
    mask, why = sound if sound is not None else (np.zeros(len(wide), dtype=bool), None)
    longest = np.zeros(len(wide))
    for row in np.flatnonzero(wide):
        seen = b.traces.t[b.traces.present[row]]
        gaps = np.diff(seen)
        touching = (gaps > GAP_S) & (seen[1:] > begin[row]) & (seen[:-1] < end[row])
        longest[row] = gaps[touching].max(initial=0.0)
    return mask | (
        longest > 0
    ), lambda row: why(row) if mask[row] and why else f"no sample for {longest[row]:.0f} s, bridged by a straight line"


def _peak(sheet: Sheet, b: Basis) -> None:
    u = b.errors.expanded(1.0, 1.0, b.errors.random)

    def note(row: int) -> str:
        if b.traces.averages[row]:
            return "an average of other channels: shown, never judged"
        if is_idle(b.traces.v[row]):
            return "nothing plugged in: shown, not judged"
        return "measures the air: shown, not judged by limits for the work"

    sheet.channels(
        "peak_c", _NONE, b.peak_c, u, incomplete=_gap(b, lambda: _hot_stretch(b), _cut(b)), note=(~b.judged, note)
    )


def _hot_stretch(b: Basis) -> tuple[FloatArray, FloatArray]:
    """First and last moment within HIDING_K of the peak: a gap in it may hide a higher one."""
    k = b.special["hiding"]
    up = b.passages.up_s[:, k]
    down = b.passages.first_down_after(b.peak_end_s, slice(k, k + 1))[:, 0]
    t = b.traces
    return np.where(np.isnan(up), t.t[t.first], up), np.where(np.isnan(down), t.t[t.last], down)


def _liquidus(sheet: Sheet, b: Basis) -> None:
    names = ("time_above_liquidus_s", "time_above_liquidus_longest_s", "time_above_liquidus_intervals")
    if not b.plan.liquidus:
        for name in names:
            sheet.declined(name, _NONE, "no paste recorded, so no liquidus to count from")
        return
    c = b.passages
    for level, text in b.plan.liquidus:
        k = b.column[level]
        total = c.above_s[:, k]
        hot = c.ends_above[:, k]
        lower, upper = (c.above_s[:, b.special["liquidus", level, side]] for side in (-1, 1))
        number, longest = intervals_above(c, k, b.special["dip", level])
        reached = number > 0
        # seconds a degree is worth on both slopes; the random part as if one slope carried it all: an upper bound
        worth = (lower - upper) / (2.0 * half_span(b.errors, level))
        u = 2.0 * worth * np.sqrt(b.errors.at(level) ** 2 + b.errors.random**2)
        absent = ("not reached", lambda row, x=level: f"{x:g} °C never reached, highest {b.peak_c[row]:.1f} °C")
        sound = (
            hot | c.starts_above[:, k],
            lambda row, x=level, hot=hot: (
                f"the log ends above {x:g} °C: at least this much" if hot[row] else f"the log starts above {x:g} °C"
            ),
        )
        up = c.up_s[:, k]
        begin = np.where(np.isnan(up), b.traces.t[b.traces.first], up)
        sound = _gap(b, lambda begin=begin, total=total: (begin, begin + total), sound)
        none = np.where(reached, 0.0, np.nan)
        sheet.channels(names[0], text, total + none, u, absent=absent, incomplete=sound)
        sheet.channels(names[1], text, longest + none, u, absent=absent, incomplete=sound)
        sheet.channels(names[2], text, number.astype(np.float64) + none, None, absent=absent, incomplete=sound)


def _absent(b: Basis, *levels: float):
    """Status and reason for a row that does not pass one of the levels upwards: the first that is missing."""

    def why(row: int) -> tuple[MetricStatus, str]:
        for level in levels:
            k = b.column[level]
            if b.passages.starts_above[row, k]:
                return "not evaluated", f"the run starts above {level:g} °C ({b.start_c[row]:.1f} °C)"
            if np.isnan(b.passages.up_s[row, k]):
                return "not reached", f"{level:g} °C never reached, highest {b.peak_c[row]:.1f} °C"
        return "not evaluated", "the temperatures were not passed in this order"

    return why


def _between(b: Basis, low: float, high: float) -> tuple[FloatArray, FloatArray]:
    """Time from one first upward passage to another, and its expanded uncertainty; not positive becomes NaN."""
    e = b.errors
    time = b.up(high) - b.up(low)
    low_k, high_k = b.per_kelvin(low), b.per_kelvin(high)
    u = e.expanded(
        low_k - high_k,
        low_k * b.share(low) - high_k * b.share(high),
        e.random * np.sqrt(low_k**2 + high_k**2),
    )
    return np.where(time > 0, time, np.nan), u


def _soaks(sheet: Sheet, b: Basis) -> None:
    for low, high, text in b.plan.soaks:
        time, u = _between(b, low, high)
        gap = _gap(b, lambda low=low, high=high: (b.up(low), b.up(high)))
        sheet.channels("soak_time_s", text, time, u, absent=_absent(b, low, high), incomplete=gap)


def _ramps_up(sheet: Sheet, b: Basis) -> None:
    e = b.errors
    for window, text in b.plan.ramp_windows:
        _steepest(sheet, b, "ramp_up_max_c_per_s", window, text, rising=True)
    for low, high, text in b.plan.ramp_means:
        low_k = b.per_kelvin(low)
        if high is None:
            time = b.peak_s - b.up(low)
            time = np.where(time > 0, time, np.nan)
            slope = (b.peak_c - low) / time
            u = e.expanded(
                (1.0 - slope * low_k) / time,
                (1.0 - slope * low_k * b.share(low)) / time,
                np.sqrt((1.0 + (slope * low_k) ** 2) * e.random**2 + (slope * b.peak_time_u) ** 2) / time,
            )
            absent, incomplete = _absent(b, low), _gap(b, lambda low=low: (b.up(low), b.peak_s), _cut(b))
        else:
            time, u_time = _between(b, low, high)
            slope = (high - low) / time
            u = slope / time * u_time
            absent = _absent(b, low, high)
            incomplete = _gap(b, lambda low=low, high=high: (b.up(low), b.up(high)))
        sheet.channels("ramp_up_mean_c_per_s", text, slope, u, absent=absent, incomplete=incomplete)


def _steepest(sheet: Sheet, b: Basis, metric: str, window: float, text: str, *, rising: bool) -> None:
    found = b.steepest(window)
    if found is None:
        sheet.declined(metric, text, f"the log is shorter than the {window:g} s window or has fewer than three samples")
        return
    best, lever = (of[0 if rising else 1] for of in (found.slope, found.lever))
    e = b.errors
    # the largest of many windows picks up noise: its random part is counted once, as the window's own
    u = e.expanded(0.0, best / e.height, e.random / np.sqrt(lever))
    side = "before the highest value" if rising else "after the highest value"
    coarse = b.traces.step_s * 2 > window
    reason = (
        f"samples {b.traces.step_s:.0f} s apart leave fewer than three in a {window:g} s window"
        if coarse
        else f"no {window:g} s of samples {side}"
    )
    sheet.channels(metric, text, best, u, absent=("not evaluated", reason))


def _to_peak(sheet: Sheet, b: Basis) -> None:
    for start, text in b.plan.starts:
        up = b.up(start)
        low_k = b.per_kelvin(start)
        warm = np.isnan(up) & b.passages.starts_above[:, b.column[start]]
        value = b.peak_s - np.where(warm, b.traces.t[b.traces.first], up)
        # a cold start lies within a few kelvin of 25 °C: a reading that is off by them finds the crossing at the start
        k = b.column[start]
        after = b.passages.up_s[:, k + 1]
        at_start = b.passages.starts_above[:, k - 1] & ~np.isnan(after)
        low_k = np.where(at_start, (after - b.traces.t[b.traces.first]) / (2 * NEAR_K), low_k)
        low_k = np.where(np.isnan(low_k), 0.0, low_k)
        e = b.errors
        u = e.expanded(low_k, low_k * b.share(start), np.sqrt((low_k * e.random) ** 2 + b.peak_time_u**2))

        def note(row: int, start=start) -> str:
            return f"counted from the start of the log: it starts above {start:g} °C ({b.start_c[row]:.1f} °C)"

        sheet.channels(
            "time_to_peak_s", text, value, u, absent=_absent(b, start), incomplete=_cut(b), note=(warm, note)
        )


def _near_peak(sheet: Sheet, b: Basis) -> None:
    c, e = b.passages, b.errors
    for reference, below, text in b.plan.near_peak:
        k, lower, upper = (b.special["near", reference, below, side] for side in (0, -1, 1))
        total = c.above_s[:, k]
        change = c.above_s[:, lower] - c.above_s[:, upper]
        if reference is None:
            worth = change / 4.0  # s per K over both slopes, read between 2 K below and above
            u = e.expanded(0.0, worth * below / e.height, worth * e.random * np.sqrt(2.0))
        else:
            level = reference - below
            worth = change / (2.0 * half_span(e, level))
            u = 2.0 * worth * np.sqrt(e.at(level) ** 2 + e.random**2)
            total = np.where(total > 0, total, np.nan)
        shown = "the peak" if reference is None else f"{reference:g} °C"
        hot = c.ends_above[:, k]
        sheet.channels(
            "time_near_peak_s",
            text,
            total,
            u,
            absent=(
                "not reached",
                lambda row, s=shown, x=below: f"never within {x:g} K of {s}, highest {b.peak_c[row]:.1f} °C",
            ),
            incomplete=_gap(
                b,
                lambda: _hot_stretch(b),
                (hot, lambda _, s=shown: f"the log ends within reach of {s}: at least this much"),
            ),
        )


def _cooling(sheet: Sheet, b: Basis) -> None:
    e = b.errors
    for window, text in b.plan.cooling_windows:
        _steepest(sheet, b, "cooling_rate_max_c_per_s", window, text, rising=False)
    if not b.plan.cooling_means:
        sheet.declined("cooling_rate_mean_c_per_s", _NONE, "no paste recorded, so no liquidus to cool down to")
        return
    columns = np.array([b.column[level] for level, _ in b.plan.cooling_means])
    near = np.concatenate((columns - 1, columns, columns + 1))
    down = b.passages.first_down_after(b.peak_end_s, near).reshape(b.traces.rows, 3, len(columns))
    for i, (level, text) in enumerate(b.plan.cooling_means):
        time = down[:, 1, i] - b.peak_end_s
        time = np.where(time > 0, time, np.nan)
        rate = (b.peak_c - level) / time
        worth = (down[:, 0, i] - down[:, 2, i]) / 6.0
        # a peak exactly at the level has no slope to tell it by: no uncertainty
        worth = np.where(np.isnan(worth), 1.0 / np.where(rate > 0, rate, np.nan), worth)
        u = e.expanded(
            (1.0 - rate * worth) / time,
            (1.0 - rate * worth * b.share(level)) / time,
            np.sqrt((1.0 + (rate * worth) ** 2) * e.random**2 + (rate * b.peak_time_u) ** 2) / time,
        )
        hot = b.passages.ends_above[:, b.column[level]]
        sheet.channels(
            "cooling_rate_mean_c_per_s",
            text,
            rate,
            u,
            absent=("not reached", lambda row, x=level: f"{x:g} °C never reached, highest {b.peak_c[row]:.1f} °C"),
            incomplete=(hot, lambda _, x=level: f"the log ends above {x:g} °C, before the cooling is over"),
        )
