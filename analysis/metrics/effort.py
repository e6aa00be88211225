"""Effort metrics: how hard the oven worked for the result. They move before the result does, so they date a decline."""

from __future__ import annotations

import numpy as np

from analysis.metrics.basis import Basis
from analysis.metrics.plan import COOLING_FRACTIONS, FULL_POWER, HIGH_RAMP, HOLD_S, LOW_RAMP, parameters
from analysis.metrics.segments import duty_of, holds, setpoint_of
from analysis.metrics.sensors import NO_CLIMB
from analysis.metrics.sheet import Sheet
from analysis.metrics.traces import FloatArray, median

_NONE = parameters()
_FULL = parameters(full_at=FULL_POWER)
_HOLD = parameters(window_s=HOLD_S)
_COOLING = parameters(from_fraction=COOLING_FRACTIONS[0], to_fraction=COOLING_FRACTIONS[1])
_LOW, _HIGH = (parameters(from_c=low, to_c=high) for low, high in (LOW_RAMP, HIGH_RAMP))
_NO_DUTY = "no heater duty in the log"
_NO_SETPOINT = "no set point in the log"
COLD_C = 40.0  # °C: a start below it may stand for the room, within the few kelvin the cooling fit can bear
HOLD_BLOCKS = 6  # the 60 s in 10 s blocks: heater cycles of a few seconds are averaged within a block


def add_effort(sheet: Sheet, b: Basis) -> None:
    """Append the effort metrics."""
    setpoint, duty = setpoint_of(b), duty_of(b)
    _hold_duty(sheet, b, setpoint, duty)
    _saturation(sheet, b, duty)
    _full_power_ramps(sheet, b, duty)
    _cooling_constant(sheet, b, setpoint, duty)
    _setpoint_lag(sheet, b, setpoint)
    _overshoot(sheet, b, setpoint)


def _hold_duty(sheet: Sheet, b: Basis, setpoint: FloatArray | None, duty: FloatArray | None) -> None:
    if duty is None:
        sheet.run("hold_duty", _HOLD, None, None, "not evaluated", _NO_DUTY)
        return
    found = holds(b, setpoint, HOLD_S)
    if not found:
        where = "the set point" if setpoint is not None else "the channels (no set point in the log)"
        reason = f"no hold of {HOLD_S:g} s in {where}"
        sheet.run("hold_duty", _HOLD, None, None, "not evaluated", reason)
        return
    t = b.traces.t
    given: set[str] = set()
    for hold in found:
        text = parameters(window_s=HOLD_S, hold_c=hold.temperature_c)
        if text in given:
            continue
        given.add(text)
        inside = slice(int(np.searchsorted(t, t[hold.end] - HOLD_S - 1e-9)), hold.end + 1)
        part = duty[inside]
        seen = np.isfinite(part)
        if seen.sum() < max(HOLD_BLOCKS, 0.8 * len(part)):
            reason = f"duty is missing in {len(part) - int(seen.sum())} of {len(part)} samples of the hold"
            sheet.run("hold_duty", text, None, None, "not evaluated", reason)
            continue
        part = part[seen]
        blocks = np.array([block.mean() for block in np.array_split(part, HOLD_BLOCKS)])
        u = 2.0 * float(blocks.std(ddof=1)) / HOLD_BLOCKS**0.5
        note = "hold detected in the channels: no set point in the log" if hold.detected else None
        sheet.run("hold_duty", text, float(part.mean()), u, "ok", note)


def _saturation(sheet: Sheet, b: Basis, duty: FloatArray | None) -> None:
    if duty is None:
        sheet.run("saturation_fraction", _FULL, None, None, "not evaluated", _NO_DUTY)
        return
    t = b.traces.t
    end = float(median(b.peak_s))
    count = int(np.searchsorted(t, end, side="right"))
    weight = t[1:count] - t[: count - 1]  # a sample's duty holds until the next one
    part = duty[: count - 1]
    seen = np.isfinite(part)
    total = float(weight[seen].sum()) if count > 1 else 0.0
    if total <= 0:
        sheet.run("saturation_fraction", _FULL, None, None, "not evaluated", "no heating in the log")
        return
    value = float(weight[seen & (part >= FULL_POWER)].sum()) / total
    sheet.run("saturation_fraction", _FULL, value, 2.0 * b.traces.step_s / total / 3.0**0.5)


def _full_power_ramps(sheet: Sheet, b: Basis, duty: FloatArray | None) -> None:
    pairs = (
        ("full_power_ramp_low_c_per_s", LOW_RAMP, _LOW),
        ("full_power_ramp_high_c_per_s", HIGH_RAMP, _HIGH),
    )
    if duty is None:
        for name, _, text in pairs:
            sheet.declined(name, text, _NO_DUTY)
        return
    t = b.traces.t
    below = np.concatenate(([0], np.cumsum(~(duty >= FULL_POWER))))  # missing duty is not full power
    for name, (low, high), text in pairs:
        up_low, up_high = b.up(low), b.up(high)
        time = up_high - up_low
        missing = np.isnan(time)
        begin = np.searchsorted(t, np.where(missing, 0.0, up_low), side="right") - 1
        end = np.searchsorted(t, np.where(missing, 0.0, up_high))
        full = below[end] == below[np.maximum(begin, 0)]
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


def _cooling_constant(sheet: Sheet, b: Basis, setpoint: FloatArray | None, duty: FloatArray | None) -> None:
    name = "cooling_time_constant_s"
    ambient = b.context.ambient_c
    note = None
    if ambient is None:
        start = float(median(b.start_c))
        if start > COLD_C:
            sheet.declined(name, _COOLING, f"room temperature not recorded and the run starts warm ({start:.0f} °C)")
            return
        ambient = start
        note = "room temperature taken from the cold start"
    height = b.peak_c - ambient
    top, bottom = (ambient + f * height for f in COOLING_FRACTIONS)
    start = int(np.searchsorted(b.traces.t, b.peak_end_s.min()))  # what comes before has no part in it
    t, v = b.traces.t[start:], b.traces.v[:, start:]
    later = t >= b.peak_end_s[:, None]
    with np.errstate(invalid="ignore"):
        gone = later & (v < bottom[:, None])
        inside = later & (v <= top[:, None])
    reached = np.asarray(gone.any(axis=1))
    # up to the first sample below the lower bound; what comes after (door shut again) is another story
    inside &= np.arange(len(t)) < np.where(reached, gone.argmax(axis=1), 0)[:, None]
    inside &= b.traces.present[:, start:]
    count = inside.sum(axis=1)
    heated = np.zeros(b.traces.rows, dtype=bool)
    if duty is not None:
        heated = np.asarray((inside & (duty[start:] > 0.02)).any(axis=1))  # 2 %: one count of a coarse drive
        said = "door state not recorded"
    elif setpoint is not None:
        with np.errstate(invalid="ignore"):
            heated = np.asarray((inside & (setpoint[start:] > v)).any(axis=1))
        said = "heater taken as off: set point below the channel"
    else:
        said = "heater taken as off: not logged"
    note = f"{note}; {said}" if note else said
    sound = reached & (count >= 5) & ~heated
    tau = _log_fit(t, v, inside, ambient)
    tau = np.where(sound & (tau > 0), tau, np.nan)
    # the fit again with the room 1 K warmer: what a kelvin in the difference is worth, by offset or by the room itself
    worth = _log_fit(t, v, inside, ambient + 1.0) - tau
    e = b.errors
    room_u = 1.0 if b.context.ambient_c is not None else 2.0  # K: a thermometer's reading, or a start for the room
    lever = np.where(count > 1, count, np.nan) * (bottom - top) ** 2 / 12.0
    u = e.expanded(worth, 0.0, np.sqrt((worth * room_u) ** 2 + (tau * e.random / np.sqrt(lever)) ** 2))

    def why(row: int) -> str:
        if heated[row]:
            return "the heater was on while cooling"
        if not reached[row]:
            return f"the log ends before {bottom[row]:.0f} °C ({COOLING_FRACTIONS[1]:.0%} of the height above the room)"
        return "fewer than five samples in the fitted stretch"

    sheet.channels(name, _COOLING, tau, u, absent=("not evaluated", why), note=note)


def _log_fit(t: FloatArray, v: FloatArray, inside: np.ndarray, ambient: float) -> FloatArray:
    """Time constant [s] of v - ambient falling exponentially over the samples `inside`, by least squares of the log."""
    above = np.where(inside & (v > ambient), v - ambient, 1.0)
    y = np.log(above)
    w = inside.astype(np.float64)
    n = np.maximum(w.sum(axis=1), 1.0)
    x = w * t
    mean = x.sum(axis=1) / n
    dx = w * (t[None, :] - mean[:, None])
    sxx, sxy = (dx * dx).sum(axis=1), (dx * y).sum(axis=1)
    fall = -sxy
    return np.where(fall > 0, sxx / np.where(fall > 0, fall, 1.0), np.nan)


def _setpoint_lag(sheet: Sheet, b: Basis, setpoint: FloatArray | None) -> None:
    name = "setpoint_lag_s"
    rows = np.flatnonzero(b.judged)
    if setpoint is None or len(rows) == 0:
        reason = _NO_SETPOINT if setpoint is None else "no channel on the work"
        sheet.run(name, _NONE, None, None, "not evaluated", reason)
        return
    if b.lag_levels is None:
        sheet.run(name, _NONE, None, None, "not evaluated", NO_CLIMB)
        return
    lag = b.lag_up_s[rows] - _first_passages(b.traces.t, setpoint, b.lag_levels)
    use = np.isfinite(lag).all(axis=0)
    if use.sum() < 3:
        sheet.run(name, _NONE, None, None, "not evaluated", "the set point does not ramp through three temperatures")
        return
    lags = median(lag[:, use], axis=1)
    worst = int(lags.argmax())
    scatter = lag[worst, use]
    u = 2.0 * float(scatter.std(ddof=1)) / float(use.sum()) ** 0.5
    note = f"of {b.traces.names[rows[worst]]}, median over {int(use.sum())} temperatures"
    sheet.run(name, _NONE, float(lags[worst]), u, "ok", note)


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


def _overshoot(sheet: Sheet, b: Basis, setpoint: FloatArray | None) -> None:
    if setpoint is None:
        sheet.declined("overshoot_c", _NONE, _NO_SETPOINT)
        return
    excess = b.peak_c - float(np.nanmax(setpoint))
    sheet.channels("overshoot_c", _NONE, excess, b.errors.expanded(1.0, 1.0, b.errors.random))
