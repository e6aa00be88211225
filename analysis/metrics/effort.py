"""Effort metrics: how hard the oven worked for the result. They move before the result does, so they date a decline."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.metrics.basis import Basis
from analysis.metrics.plan import COOLING_FRACTIONS, FULL_POWER, HIGH_RAMP, HOLD_S, LOW_RAMP, parameters
from analysis.metrics.segments import holds
from analysis.metrics.sensors import NO_CLIMB
from analysis.metrics.sheet import Sheet, single
from analysis.metrics.traces import FloatArray, Traces, joined, median
from analysis.results import MetricValue

_NONE = parameters()
_FULL = parameters(full_at=FULL_POWER)
_HOLD = parameters(window_s=HOLD_S)
_COOLING = parameters(from_fraction=COOLING_FRACTIONS[0], to_fraction=COOLING_FRACTIONS[1])
_LOW, _HIGH = (parameters(from_c=low, to_c=high) for low, high in (LOW_RAMP, HIGH_RAMP))
_NO_DUTY = "no heater duty in the log"
_NO_SETPOINT = "no set point in the log"
RESTED_S = 3 * 3600.0  # s: insulation lets go of its heat over most of an hour, three of these leave a kelvin of fifty
COLD_C = 40.0  # °C: a start below it may stand for the room, within the few kelvin the cooling fit can bear
HOLD_BLOCKS = 6  # the 60 s in 10 s blocks: heater cycles of a few seconds are averaged within a block


def add_effort(sheet: Sheet, b: Basis) -> None:
    """Append the effort metrics."""
    _hold_duty(sheet, b)
    _saturation(sheet, b)
    _full_power_ramps(sheet, b)
    _cooling_constant(sheet, b)
    _setpoint_lag(sheet, b)
    _overshoot(sheet, b)


def _hold_duty(sheet: Sheet, b: Basis) -> None:
    if b.duty is None:
        sheet.declined("hold_duty", _HOLD, _NO_DUTY, of_channels=False)
        return
    sheet.singles([(run, value) for run in range(b.traces.runs) for value in _hold_duties(b, run, b.duty[run])])


def _hold_duties(b: Basis, run: int, duty: FloatArray) -> list[MetricValue]:
    found = holds(b, run, HOLD_S)
    if not found:
        where = "the set point" if b.setpoint is not None else "the channels (no set point in the log)"
        return [single("hold_duty", _HOLD, None, None, "not evaluated", f"no hold of {HOLD_S:g} s in {where}")]
    t = b.traces.t
    given: dict[str, MetricValue] = {}
    for hold in found:
        text = parameters(window_s=HOLD_S, hold_c=hold.temperature_c)
        if text in given:
            continue
        inside = slice(int(np.searchsorted(t, t[hold.end] - HOLD_S - 1e-9)), hold.end + 1)
        part = duty[inside]
        seen = np.isfinite(part)
        if seen.sum() < max(HOLD_BLOCKS, 0.8 * len(part)):
            reason = f"duty is missing in {len(part) - int(seen.sum())} of {len(part)} samples of the hold"
            given[text] = single("hold_duty", text, None, None, "not evaluated", reason)
            continue
        part = part[seen]
        blocks = np.array([block.mean() for block in np.array_split(part, HOLD_BLOCKS)])
        u = 2.0 * float(blocks.std(ddof=1)) / HOLD_BLOCKS**0.5
        note = "hold detected in the channels: no set point in the log" if hold.detected else None
        given[text] = single("hold_duty", text, float(part.mean()), u, "ok", note)
    return list(given.values())


def _saturation(sheet: Sheet, b: Basis) -> None:
    name = "saturation_fraction"
    if b.duty is None:
        sheet.declined(name, _FULL, _NO_DUTY, of_channels=False)
        return
    t = b.traces.t
    end = median(b.traces.by_run(b.peak_s), axis=1)
    weight = t[1:] - t[:-1]  # a sample's duty holds until the next one
    seen = np.isfinite(b.duty[:, :-1]) & (t[1:] <= end[:, None])
    total = np.where(seen, weight, 0.0).sum(axis=1)
    heated = total > 0
    full = np.where(seen & (b.duty[:, :-1] >= FULL_POWER), weight, 0.0).sum(axis=1)
    total = np.where(heated, total, np.nan)
    u = 2.0 * b.traces.step_s / total / 3.0**0.5
    sheet.of_runs(name, _FULL, full / total, u, absent=("not evaluated", "no heating in the log"))


def _full_power_ramps(sheet: Sheet, b: Basis) -> None:
    pairs = (
        ("full_power_ramp_low_c_per_s", LOW_RAMP, _LOW),
        ("full_power_ramp_high_c_per_s", HIGH_RAMP, _HIGH),
    )
    if b.duty is None:
        for name, _, text in pairs:
            sheet.declined(name, text, _NO_DUTY)
        return
    t = b.traces.t
    run = b.traces.to_rows(np.arange(b.traces.runs))
    below = np.zeros((b.traces.runs, len(t) + 1), dtype=np.int64)
    np.cumsum(~(b.duty >= FULL_POWER), axis=1, out=below[:, 1:])  # missing duty is not full power
    for name, (low, high), text in pairs:
        up_low, up_high = b.up(low), b.up(high)
        time = up_high - up_low
        missing = np.isnan(time)
        begin = np.searchsorted(t, np.where(missing, 0.0, up_low), side="right") - 1
        end = np.searchsorted(t, np.where(missing, 0.0, up_high))
        full = below[run, end] == below[run, np.maximum(begin, 0)]
        slope = np.where(full & ~missing, (high - low) / np.where(missing, 1.0, time), np.nan)
        low_k, high_k = b.per_kelvin(low), b.per_kelvin(high)
        e = b.errors
        u = (slope / time) * e.expanded(
            low_k - high_k, low_k * b.share(low) - high_k * b.share(high), e.random * np.sqrt(low_k**2 + high_k**2)
        )
        sheet.channels(
            name,
            text,
            slope,
            u,
            absent=(
                "not evaluated",
                lambda row, m=missing, lo=low, hi=high: (
                    f"{lo:g} to {hi:g} °C not passed upwards"
                    if m[row]
                    else f"duty did not stay at full power from {lo:g} to {hi:g} °C"
                ),
            ),
        )


def _cooling_constant(sheet: Sheet, b: Basis) -> None:
    name = "cooling_time_constant_s"
    tr = b.traces
    start = median(tr.by_run(b.start_c), axis=1)
    unknown = np.isnan(b.room_c)
    # soon after another run the start is the oven's own heat, however low it is
    soon = np.array([c.idle_s is not None and c.idle_s < RESTED_S for c in b.contexts], dtype=bool)
    warm = tr.to_rows(unknown & ((start > COLD_C) | soon))
    ambient = tr.to_rows(np.where(unknown, start, b.room_c))
    height = b.peak_c - ambient
    top, bottom = (ambient + f * height for f in COOLING_FRACTIONS)
    # the few samples of the fit, row by row; sums by row in their order, so that other rows make no difference
    found = [_falling(part, b.peak_end_s[rows], top[rows], bottom[rows], rows.start) for rows, part in tr.parts()]
    reached, row, i = (joined(parts) for parts in zip(*found, strict=True))
    t, v = tr.t, tr.v
    count = np.bincount(row, minlength=tr.rows)
    if b.duty is not None:
        on = b.duty[row // tr.per, i] > 0.02  # 2 %: one count of a coarse drive
        said = "door state not recorded"
    elif b.setpoint is not None:
        on = b.setpoint[row // tr.per, i] > v[row, i]
        said = "heater taken as off: set point below the channel"
    else:
        on = np.zeros(len(row), dtype=bool)
        said = "heater taken as off: not logged"
    heated = np.bincount(row[on], minlength=tr.rows) > 0
    sound = reached & (count >= 5) & ~heated & ~warm
    points = row, t[i], v[row, i]
    tau = _log_fit(*points, ambient)
    tau = np.where(sound & (tau > 0), tau, np.nan)
    # the fit again with the room 1 K warmer: what a kelvin in the difference is worth, by offset or by the room itself
    worth = _log_fit(*points, ambient + 1.0) - tau
    e = b.errors
    taken = tr.to_rows(np.isnan(b.ambient_c))
    room_u = np.where(taken, 2.0, 1.0)  # K: a start for the room, or a thermometer's reading
    lever = np.where(count > 1, count, np.nan) * (bottom - top) ** 2 / 12.0
    u = e.expanded(worth, 0.0, np.sqrt((worth * room_u) ** 2 + (tau * e.random / np.sqrt(lever)) ** 2))

    def why(row: int) -> str:
        if warm[row]:
            run = row // tr.per
            since = ", soon after another" if soon[run] else ""
            return f"room temperature not recorded and the run starts warm ({start[run]:.0f} °C{since})"
        if heated[row]:
            return "the heater was on while cooling"
        if not reached[row]:
            return f"the log ends before {bottom[row]:.0f} °C ({COOLING_FRACTIONS[1]:.0%} of the height above the room)"
        return "fewer than five samples in the fitted stretch"

    from_start = f"room temperature taken from a cold start; {said}"
    mixed = (~np.isnan(tau), lambda row: from_start if taken[row] else said)
    note = (from_start if taken[0] else said) if (taken == taken[0]).all() else mixed
    sheet.channels(name, _COOLING, tau, u, absent=("not evaluated", why), note=note)


def _falling(
    tr: Traces, peak_end_s: FloatArray, top: FloatArray, bottom: FloatArray, first: int
) -> tuple[NDArray[np.bool_], NDArray[np.int64], NDArray[np.int64]]:
    """Which rows come down to `bottom` after their peak; and the samples on the way there from `top`: row, counted from
    `first`, and place."""
    since = int(np.searchsorted(tr.t, peak_end_s.min()))  # nothing before it can be cooling
    t, v = tr.t[since:], tr.v[:, since:]
    later = t >= peak_end_s[:, None]
    gone = later & (v < bottom[:, None])
    reached = np.asarray(gone.any(axis=1))
    # up to the first sample below the lower bound; what comes after (door shut again) is another story
    until = np.where(reached, gone.argmax(axis=1), 0)
    inside = later & (v <= top[:, None]) & (np.arange(len(t)) < until[:, None])
    if not tr.whole:
        inside &= tr.present[:, since:]
    row, i = np.divmod(np.flatnonzero(inside), inside.shape[1])
    return reached, row + first, i + since


def _log_fit(row: NDArray[np.int64], t: FloatArray, v: FloatArray, ambient: FloatArray) -> FloatArray:
    """Time constant [s] of each row's v - ambient falling exponentially over its samples, by least squares of the log.

    `row`, `t`, `v` of the samples; `ambient` (rows,).
    """

    def by_row(x: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(row, weights=x, minlength=len(ambient)), dtype=np.float64)

    above = v - ambient[row]
    y = np.log(np.where(above > 0, above, 1.0))
    mean = by_row(t) / np.maximum(np.bincount(row, minlength=len(ambient)), 1)
    dx = t - mean[row]
    sxx, sxy = by_row(dx * dx), by_row(dx * y)
    fall = -sxy
    return np.where(fall > 0, sxx / np.where(fall > 0, fall, 1.0), np.nan)


def _setpoint_lag(sheet: Sheet, b: Basis) -> None:
    name = "setpoint_lag_s"
    if b.setpoint is None:
        sheet.declined(name, _NONE, _NO_SETPOINT, of_channels=False)
        return
    sheet.singles([(run, _lag_of_run(b, run, b.setpoint[run])) for run in range(b.traces.runs)])


def _lag_of_run(b: Basis, run: int, setpoint: FloatArray) -> MetricValue:
    name, levels = "setpoint_lag_s", b.lag_levels[run]
    rows = run * b.traces.per + np.flatnonzero(b.work[run])
    if len(rows) == 0:
        return single(name, _NONE, None, None, "not evaluated", "no channel on the work")
    if np.isnan(levels[0]):
        return single(name, _NONE, None, None, "not evaluated", NO_CLIMB)
    lag = b.lag_up_s[rows] - _first_passages(b.traces.t, setpoint, levels)
    use = np.isfinite(lag).all(axis=0)
    if use.sum() < 3:
        why = "the set point does not ramp through three temperatures"
        return single(name, _NONE, None, None, "not evaluated", why)
    lags = median(lag[:, use], axis=1)
    worst = int(lags.argmax())
    scatter = lag[worst, use]
    u = 2.0 * float(scatter.std(ddof=1)) / float(use.sum()) ** 0.5
    note = f"of {b.traces.names[rows[worst]]}, median over {int(use.sum())} temperatures"
    return single(name, _NONE, float(lags[worst]), u, "ok", note)


def _first_passages(t: FloatArray, trace: FloatArray, levels: FloatArray) -> FloatArray:
    """First upward passages of rising levels by one trace [s], NaN where it never gets there or starts above."""
    seen = np.isfinite(trace)
    t, trace = t[seen], trace[seen]
    highest = np.maximum.accumulate(trace)
    i = np.searchsorted(highest, levels)
    found = (i > 0) & (i < len(t))
    i = np.clip(i, 1, len(t) - 1)
    v0, v1 = trace[i - 1], trace[i]
    part = np.where(v1 > v0, (levels - v0) / np.where(v1 > v0, v1 - v0, 1.0), 0.0)
    return np.where(found, t[i - 1] + part * (t[i] - t[i - 1]), np.nan)


def _overshoot(sheet: Sheet, b: Basis) -> None:
    if b.setpoint is None:
        sheet.declined("overshoot_c", _NONE, _NO_SETPOINT)
        return
    excess = b.peak_c - b.traces.to_rows(np.nanmax(b.setpoint, axis=1))
    sheet.channels("overshoot_c", _NONE, excess, b.errors.expanded(1.0, 1.0, b.errors.random))
