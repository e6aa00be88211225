"""A small thermal model of the oven, identified from one log: gain, time constant and delay of each channel.

First order with delay, driven by the logged duty u (0 to 1):

    tau dT/dt = room + K u(t - delay) - T

K [K] is the rise above the room that full power would reach, tau [s] the time constant with the door shut. The delay from
command to tip is fitted as a dead time plus a second, shorter lag (element, tip), because heat arrives gradually; their
sum is stated. The fit runs over the heating part of the log only: an opened door is another oven.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from ingest.recording import FloatArray, Recording

LEVEL = 0.95
GRID_S = 1.0
# Less rise, time or change of command than this and many models fit equally well.
LEAST_RISE_K = 40.0
LEAST_SECONDS = 60.0
LEAST_DUTY_CHANGE = 0.2
# An estimate whose half interval exceeds this share of itself is not worth stating.
WORST_SHARE = 0.5
# Residuals larger than this say that the oven is not of this kind (several elements, duty not logged truly).
WORST_FIT_K = 15.0
SHORTEST_LAG_S = 0.05


@dataclass(frozen=True)
class Estimate:
    """A value with its interval at `level`, in `unit`."""

    value: float
    low: float
    high: float
    unit: str
    level: float = LEVEL


@dataclass(frozen=True)
class ChannelModel:
    """The model of one channel, or why there is none.

    `reason` is empty when the log allowed an estimate. `residual_k` root mean square [K]; `n` samples on the 1 s grid;
    `span_s` (from, to) of the log that was used.
    """

    channel: str
    reason: str
    gain_k: Estimate | None = None
    time_constant_s: Estimate | None = None
    delay_s: Estimate | None = None
    residual_k: float = 0.0
    n: int = 0
    span_s: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class SideDifference:
    """Steady difference of two channels at a rise of `at_rise_k` of their mean [K], from their gains.

    The interval takes the gains for independent. They share the time constant, so it is on the wide side.
    """

    first: str
    second: str
    difference_k: Estimate
    at_rise_k: float


@dataclass(frozen=True)
class OvenModel:
    """All channels' models and the differences between them. `reason` when the log allows none."""

    reason: str
    channels: tuple[ChannelModel, ...] = ()
    sides: tuple[SideDifference, ...] = ()


def identify(recording: Recording, *, room_c: float | None = None, at_rise_k: float = 175.0) -> OvenModel:
    """Identify the model from the logged duty and every judged temperature channel.

    `room_c` [°C]: what the oven cools towards; without it the start of the run, if that is cold (below 40 °C).
    `at_rise_k` [K]: where side differences are stated; 175 K is 200 °C in a room of 25 °C.
    Output-error fit by scipy's `least_squares`; intervals from its Jacobian, widened for correlated residuals.
    """
    duties = [c.values for c in recording.of_role("duty") if np.isfinite(c.values).any()]
    if not duties:
        return OvenModel("no duty in the log: what the heater got is not known")
    if recording.duration_s < LEAST_SECONDS:
        return OvenModel(f"the log lasts {recording.duration_s:.0f} s, {LEAST_SECONDS:.0f} s are needed")
    t = recording.elapsed_s
    duty = np.nan_to_num(np.nanmean(np.array(duties), axis=0)) if len(duties) > 1 else np.nan_to_num(duties[0])
    end_s = _end_of_heating(t, duty)
    if end_s < LEAST_SECONDS:
        return OvenModel(f"the heater is on for {end_s:.0f} s only, {LEAST_SECONDS:.0f} s are needed")
    smooth = _mean_over(t, duty, 15.0, end_s)
    if np.ptp(smooth) < LEAST_DUTY_CHANGE:
        return OvenModel(f"the duty changes by {np.ptp(smooth):.2f} only: gain and time constant cannot be told apart")
    found: list[ChannelModel] = []
    ready: list[_Prepared] = []
    for c in recording.of_role("temperature"):
        if not c.judged:
            continue
        prepared = _prepare(t, duty, c.values, c.name, room_c, end_s)
        if isinstance(prepared, ChannelModel):
            found.append(prepared)
        else:
            ready.append(prepared)
    if ready:
        found.extend(_fitted(ready))
    order = [c.name for c in recording.of_role("temperature")]
    channels = tuple(sorted(found, key=lambda c: order.index(c.channel)))
    return OvenModel("", channels, tuple(_sides(channels, at_rise_k)))


def identify_channel(
    elapsed_s: FloatArray,
    duty: FloatArray,
    values: FloatArray,
    name: str = "",
    *,
    room_c: float | None = None,
    end_s: float | None = None,
) -> ChannelModel:
    """Gain, time constant and delay of one channel from duty 0 to 1 and temperature [°C]; NaN samples are left out."""
    prepared = _prepare(elapsed_s, duty, values, name, room_c, float(elapsed_s[-1]) if end_s is None else end_s)
    return prepared if isinstance(prepared, ChannelModel) else _fitted([prepared])[0]


@dataclass(frozen=True)
class _Prepared:
    """One channel on the grid: measured [°C], and the mean delayed duty of each step as a function of the dead time."""

    name: str
    room_c: float
    measured: FloatArray
    command: Callable[[float], FloatArray]
    span_s: tuple[float, float]


def _prepare(
    elapsed_s: FloatArray, duty: FloatArray, values: FloatArray, name: str, room_c: float | None, end_s: float
) -> _Prepared | ChannelModel:
    present = np.isfinite(values)
    if np.count_nonzero(present) < 20:
        return ChannelModel(name, "fewer than 20 samples")
    first = float(elapsed_s[present][0])
    grid = np.arange(first, end_s, GRID_S)
    if len(grid) < LEAST_SECONDS / GRID_S:
        return ChannelModel(name, f"less than {LEAST_SECONDS:.0f} s of heating with values")
    measured = np.interp(grid, elapsed_s[present], values[present])
    rise = float(measured.max() - measured[0])
    if rise < LEAST_RISE_K:
        return ChannelModel(name, f"rises by {rise:.0f} K while heated, {LEAST_RISE_K:.0f} K are needed")
    room = room_c if room_c is not None else float(np.median(measured[:3]))
    if room_c is None and room > 40.0:
        return ChannelModel(name, f"warm start ({room:.0f} °C) and no room temperature: the rise is not known")
    work, steps = _work(elapsed_s, duty), grid[:-1]

    def command(theta: float) -> FloatArray:
        return (work(steps + GRID_S - theta) - work(steps - theta)) / GRID_S

    return _Prepared(name, room, measured, command, (first, end_s))


# Of one channel: gain [K], dead time [s], start [°C], second lag [s]. All channels share the time constant, first in line.
_PER_CHANNEL = 4


def _fitted(ready: list[_Prepared]) -> list[ChannelModel]:
    """Output-error fit of all channels together.

    The slow time constant is the oven's, so the channels share it: alone, a heavy tip would trade it against its gain.
    """
    from scipy.optimize import least_squares

    def rest(p: FloatArray) -> FloatArray:
        parts = []
        for k, channel in enumerate(ready):
            gain, dead, start, lag = p[1 + _PER_CHANNEL * k : 1 + _PER_CHANNEL * (k + 1)]
            model = _response(gain * channel.command(dead), p[0], lag, channel.room_c, start, GRID_S)
            parts.append(model - channel.measured)
        return np.concatenate(parts)

    best = None
    for tau0 in (60.0, 200.0, 600.0):  # the cost has flat valleys: start from a fast, a usual and a slow oven
        start, low, high, scale = [tau0], [2.0], [20_000.0], [100.0]
        for channel in ready:
            first = float(channel.measured[0])
            rise = max(float(channel.measured.max()) - channel.room_c, 50.0)
            start += [rise * (1.0 + tau0 / 300.0), 4.0, first, 5.0]
            low += [1.0, 0.0, first - 10.0, SHORTEST_LAG_S]
            high += [20_000.0, 90.0, first + 10.0, 120.0]
            scale += [100.0, 10.0, 1.0, 10.0]
        found = least_squares(rest, start, bounds=(low, high), x_scale=scale, max_nfev=80)
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    covariance, free = _covariance(best.x, best.fun, best.jac, len(ready))
    half = quantile(free) * np.sqrt(np.maximum(np.diag(covariance), 0.0))
    models: list[ChannelModel] = []
    ends = np.cumsum([0, *(len(channel.measured) for channel in ready)])
    for k, channel in enumerate(ready):
        at = 1 + _PER_CHANNEL * k
        sum_of = covariance[at + 1, at + 1] + covariance[at + 3, at + 3] + 2.0 * covariance[at + 1, at + 3]
        delay_half = quantile(free) * float(np.sqrt(max(sum_of, 0.0)))
        gain = around(float(best.x[at]), float(half[at]), "K")
        tau = around(float(best.x[0]), float(half[0]), "s")
        total = float(best.x[at + 1] + best.x[at + 3])
        delay = Estimate(total, max(total - delay_half, 0.0), total + delay_half, "s")  # heat never comes early
        residual = float(np.sqrt(np.mean(best.fun[ends[k] : ends[k + 1]] ** 2)))
        models.append(_stated(channel, gain, tau, delay, residual))
    return models


def _stated(channel: _Prepared, gain: Estimate, tau: Estimate, delay: Estimate, residual: float) -> ChannelModel:
    """The channel's model, or the reason why it should not be stated."""
    reason = ""
    if residual > WORST_FIT_K:
        reason = f"the model misses the curve by {residual:.0f} K (root mean square)"
    for word, e in (("gain", gain), ("time constant", tau)):
        if not reason and not e.high - e.value <= WORST_SHARE * e.value:
            reason = (
                f"the log does not excite the oven enough: {word} {e.value:.0f} {e.unit}, "
                f"between {e.low:.0f} and {e.high:.0f}"
            )
    n = len(channel.measured)
    if reason:
        return ChannelModel(channel.name, reason, residual_k=residual, n=n, span_s=channel.span_s)
    return ChannelModel(channel.name, "", gain, tau, delay, residual, n, channel.span_s)


def _covariance(x: FloatArray, rest: FloatArray, jacobian: FloatArray, channels: int) -> tuple[FloatArray, float]:
    """Covariance of the parameters and the free samples behind it.

    Neighbouring residuals are alike: with correlation r from one to the next, n samples count as n (1 - r) / (1 + r).
    A second lag at its lower bound is no lag: it is taken as known.
    """
    n, k = len(rest), len(x)
    power = float(rest @ rest)
    r = min(max(float(rest[:-1] @ rest[1:]) / power, 0.0), 0.99) if power > 0 else 0.0
    free = max(n * (1.0 - r) / (1.0 + r), k + 1.0)
    lags = [1 + _PER_CHANNEL * c + 3 for c in range(channels)]
    used = [j for j in range(k) if j not in lags or x[j] > 2.0 * SHORTEST_LAG_S]
    part = jacobian[:, used]
    inner = np.linalg.pinv(part.T @ part * (free / n)) * power / n * free / (free - k)
    covariance = np.zeros((k, k))
    covariance[np.ix_(used, used)] = inner
    return covariance, free - k


def quantile(degrees: float) -> float:
    from scipy.stats import t as student

    return float(student.ppf(0.5 + LEVEL / 2.0, degrees))


def around(value: float, half: float, unit: str) -> Estimate:
    return Estimate(value, value - half, value + half, unit)


def _response(target: FloatArray, tau: float, lag: float, room: float, start: float, step_s: float) -> FloatArray:
    """Answer of two lags in a row to a target rise [K] that is constant over each step; one value more than steps.

    Exact: over a step with target g, x1 = g + (x1 - g) exp(-t/lag) and x2 follows x1 with tau.
    """
    from scipy.signal import lfilter

    if abs(lag - tau) < 1e-6 * tau:
        lag *= 1.0 + 1e-5
    keep_lag, keep = float(np.exp(-step_s / lag)), float(np.exp(-step_s / tau))
    first = start - room
    early, _ = lfilter([1.0 - keep_lag], [1.0, -keep_lag], target, zi=np.array([keep_lag * first]))
    before = np.concatenate(([first], np.asarray(early)[:-1]))
    into = target * (1.0 - keep) + (before - target) * (lag / (lag - tau)) * (keep_lag - keep)
    tail, _ = lfilter([1.0], [1.0, -keep], into, zi=np.array([keep * first]))
    return room + np.concatenate(([first], np.asarray(tail)))


def _work(elapsed_s: FloatArray, duty: FloatArray) -> Callable[[FloatArray], FloatArray]:
    """The integral of the duty [s] at any time: each logged duty holds until the next sample; 0 before the log."""
    total = np.concatenate(([0.0], np.cumsum(duty[:-1] * np.diff(elapsed_s))))
    return lambda at: np.interp(at, elapsed_s, total)


def _end_of_heating(elapsed_s: FloatArray, duty: FloatArray) -> float:
    on = np.flatnonzero(duty > 0.02)
    return float(elapsed_s[min(int(on[-1]) + 1, len(duty) - 1)]) if len(on) else 0.0


def _mean_over(elapsed_s: FloatArray, duty: FloatArray, width_s: float, end_s: float) -> FloatArray:
    """Mean duty over windows of `width_s` [s] within the heating part."""
    work = _work(elapsed_s, duty)
    starts = np.arange(0.0, max(end_s - width_s, 1.0), 1.0)
    return (work(starts + width_s) - work(starts)) / width_s


def hold_duty(channel: ChannelModel, rise_k: float) -> Estimate | None:
    """Duty [1] that would hold a channel `rise_k` [K] above the room for long: rise / gain, with the gain's interval.

    The effort number where a log has no constant hold to read it from. None without a gain, or where the gain's interval
    reaches down to what full power could not hold.
    """
    gain = channel.gain_k
    if gain is None or gain.low <= rise_k:
        return None
    return Estimate(rise_k / gain.value, rise_k / gain.high, rise_k / gain.low, "1", gain.level)


def _sides(channels: tuple[ChannelModel, ...], at_rise_k: float) -> list[SideDifference]:
    found: list[SideDifference] = []
    for a, b in combinations([c for c in channels if c.gain_k is not None], 2):
        assert a.gain_k is not None
        assert b.gain_k is not None
        mean = 0.5 * (a.gain_k.value + b.gain_k.value)
        value = at_rise_k * (a.gain_k.value - b.gain_k.value) / mean
        half_a, half_b = a.gain_k.high - a.gain_k.value, b.gain_k.high - b.gain_k.value
        half = at_rise_k * float(np.hypot(half_a * b.gain_k.value, half_b * a.gain_k.value)) / mean**2
        difference = Estimate(value, value - half, value + half, "K")
        found.append(SideDifference(a.channel, b.channel, difference, at_rise_k))
    return found
