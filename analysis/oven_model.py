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
from typing import Any

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
    """Steady difference of two channels at a rise of `at_rise_k` of their mean [K], from their gains."""

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
    channels = tuple(
        identify_channel(t, duty, c.values, c.name, room_c=room_c, end_s=end_s)
        for c in recording.of_role("temperature")
        if c.judged
    )
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
    present = np.isfinite(values)
    if np.count_nonzero(present) < 20:
        return ChannelModel(name, "fewer than 20 samples")
    last = float(elapsed_s[-1]) if end_s is None else end_s
    first = float(elapsed_s[present][0])
    grid = np.arange(first, last, GRID_S)
    if len(grid) < LEAST_SECONDS / GRID_S:
        return ChannelModel(name, f"less than {LEAST_SECONDS:.0f} s of heating with values")
    measured = np.interp(grid, elapsed_s[present], values[present])
    rise = float(measured.max() - measured[0])
    if rise < LEAST_RISE_K:
        return ChannelModel(name, f"rises by {rise:.0f} K while heated, {LEAST_RISE_K:.0f} K are needed")
    room = room_c if room_c is not None else float(np.median(measured[:3]))
    if room_c is None and room > 40.0:
        return ChannelModel(name, f"warm start ({room:.0f} °C) and no room temperature: the rise is not known")
    work = _work(elapsed_s, duty)
    steps = grid[:-1]
    fit = _fit(measured, lambda theta: (work(steps + GRID_S - theta) - work(steps - theta)) / GRID_S, room)
    gain, tau, theta = (_estimate(fit, k, unit) for k, unit in ((0, "K"), (1, "s"), (2, "s")))
    common: dict[str, Any] = {"residual_k": fit.residual_k, "n": len(grid), "span_s": (first, last)}
    if fit.residual_k > WORST_FIT_K:
        return ChannelModel(name, f"the model misses the curve by {fit.residual_k:.0f} K (root mean square)", **common)
    for word, e in (("gain", gain), ("time constant", tau)):
        if not e.high - e.value <= WORST_SHARE * e.value:
            text = f"the log does not excite the oven enough: {word} {e.value:.0f} {e.unit} could be {e.low:.0f} to {e.high:.0f}"
            return ChannelModel(name, text, **common)
    return ChannelModel(name, "", gain, tau, theta, **common)


@dataclass(frozen=True)
class _Fit:
    values: FloatArray
    deviation: FloatArray
    degrees: float
    residual_k: float


def _fit(measured: FloatArray, command: Callable[[float], FloatArray], room: float) -> _Fit:
    """Output-error fit of (K, tau, dead time, start, second lag).

    `command(theta)`: mean delayed duty of each step of the grid. Gives (K, tau, delay) with delay = dead time + second lag.
    """
    from scipy.optimize import least_squares

    def model(p: FloatArray) -> FloatArray:
        early = _response(p[0] * command(p[2]), p[4], 0.0, p[3] - room, GRID_S)
        return _response(early[1:], p[1], room, p[3], GRID_S)

    rise = float(measured.max() - room)
    best = None
    for tau0 in (60.0, 200.0, 600.0):  # the cost has flat valleys: start from a fast, a usual and a slow oven
        start = np.array([max(rise, 50.0) * (1.0 + tau0 / 300.0), tau0, 4.0, measured[0], 5.0])
        found = least_squares(
            lambda p: model(p) - measured,
            start,
            bounds=(
                [1.0, 2.0, 0.0, measured[0] - 10.0, 0.05],
                [20_000.0, 20_000.0, 90.0, measured[0] + 10.0, 120.0],
            ),
            x_scale=[100.0, 100.0, 10.0, 1.0, 10.0],
            max_nfev=80,
        )
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    rest = best.fun
    n, k = len(rest), len(best.x)
    # Neighbouring residuals are alike: with correlation r from one to the next there are n (1 - r) / (1 + r) free ones.
    power = float(rest @ rest)
    r = min(max(float(rest[:-1] @ rest[1:]) / power, 0.0), 0.99) if power > 0 else 0.0
    free = max(n * (1.0 - r) / (1.0 + r), k + 1.0)
    variance = power / n * free / (free - k)
    covariance = np.linalg.pinv(best.jac.T @ best.jac * (free / n)) * variance
    pick = np.zeros((3, k))
    pick[0, 0] = pick[1, 1] = pick[2, 2] = pick[2, 4] = 1.0
    deviation = np.sqrt(np.maximum(np.diag(pick @ covariance @ pick.T), 0.0))
    return _Fit(pick @ best.x, deviation, free - k, float(np.sqrt(power / n)))


def _estimate(fit: _Fit, k: int, unit: str) -> Estimate:
    from scipy.stats import t as student

    half = float(student.ppf(0.5 + LEVEL / 2.0, fit.degrees)) * float(fit.deviation[k])
    value = float(fit.values[k])
    return Estimate(value, value - half, value + half, unit)


def _response(target: FloatArray, tau: float, room: float, start: float, step_s: float) -> FloatArray:
    """First-order answer to a target rise [K] that is constant over each step; one value more than steps."""
    from scipy.signal import lfilter

    keep = float(np.exp(-step_s / tau))
    first = start - room
    tail, _ = lfilter([1.0 - keep], [1.0, -keep], target, zi=np.array([keep * first]))
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


@dataclass(frozen=True)
class StepResponse:
    """Two-point estimate from one step."""

    gain: float
    time_constant_s: float
    delay_s: float
    t28_s: float
    t63_s: float


def two_point(elapsed_s: FloatArray, values: FloatArray, step: float, *, final: float | None = None) -> StepResponse:
    """Gain, time constant and delay from a step answer, by the published two-point method.

    tau = 1.5 (t63.2 - t28.3), theta = t63.2 - tau (C. L. Smith 1972; Smith and Corripio). `step` is the size of the
    command's step at elapsed 0; `final` the settled value (else the last one). Raises ValueError when the answer does
    not pass both points on its way. NaN gives ValueError.
    """
    if not np.isfinite(values).all():
        raise ValueError("the step answer has missing values")
    settled = float(values[-1]) if final is None else final
    rise = settled - float(values[0])
    if rise == 0.0 or step == 0.0:
        raise ValueError("no step, or no answer to it")
    share = (values - values[0]) / rise
    t28, t63 = (_first_passage(elapsed_s, share, level) for level in (0.283, 0.632))
    tau = 1.5 * (t63 - t28)
    return StepResponse(rise / step, tau, t63 - tau, t28, t63)


def _first_passage(elapsed_s: FloatArray, share: FloatArray, level: float) -> float:
    up = np.flatnonzero((share[:-1] < level) & (share[1:] >= level))
    if len(up) == 0:
        raise ValueError(f"the answer does not pass {100 * level:.1f} % of its final value")
    k = int(up[0])
    return float(elapsed_s[k] + (level - share[k]) / (share[k + 1] - share[k]) * (elapsed_s[k + 1] - elapsed_s[k]))


@dataclass(frozen=True)
class NewtonFit:
    """T = surroundings + (start - surroundings) exp(-t / tau), with the interval of tau."""

    time_constant_s: Estimate
    surroundings_c: float
    residual_k: float
    n: int


def newton_fit(elapsed_s: FloatArray, values_c: FloatArray, *, surroundings_c: float | None = None) -> NewtonFit:
    """Fit Newton's law of cooling (or heating) to a free stretch; the surroundings are fitted too unless given.

    NaN samples are left out. Raises ValueError below 8 samples or when the temperature hardly moves (less than 2 K).
    """
    from scipy.optimize import least_squares
    from scipy.stats import t as student

    present = np.isfinite(values_c)
    t, y = elapsed_s[present], values_c[present]
    if len(t) < 8:
        raise ValueError("fewer than 8 samples")
    if np.ptp(y) < 2.0:
        raise ValueError("the temperature moves by less than 2 K")
    t = t - t[0]
    free = surroundings_c is None
    end = float(y[-1]) if surroundings_c is None else surroundings_c

    def model(p: FloatArray) -> FloatArray:
        around = p[2] if free else end
        return around + (p[1] - around) * np.exp(-t / p[0])

    start = [max(float(t[-1]) / 3.0, 1e-3), float(y[0]), *([end] if free else [])]
    found = least_squares(lambda p: model(p) - y, start, x_scale=[max(abs(s), 1.0) for s in start])
    degrees = max(len(t) - len(start), 1)
    variance = float(found.fun @ found.fun) / degrees
    deviation = float(np.sqrt(max(np.linalg.pinv(found.jac.T @ found.jac)[0, 0] * variance, 0.0)))
    half = float(student.ppf(0.5 + LEVEL / 2.0, degrees)) * deviation
    tau = float(found.x[0])
    residual = float(np.sqrt(np.mean(found.fun**2)))
    around = float(found.x[2]) if free else end
    return NewtonFit(Estimate(tau, tau - half, tau + half, "s"), around, residual, len(t))
