"""What one clean step and one free cooling tell, by the published methods: beside the model fitted to whole logs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.oven_model import Estimate, quantile
from analysis.oven_model import around as interval_around
from ingest.recording import FloatArray


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
    tau = float(found.x[0])
    residual = float(np.sqrt(np.mean(found.fun**2)))
    around = float(found.x[2]) if free else end
    return NewtonFit(interval_around(tau, quantile(degrees) * deviation, "s"), around, residual, len(t))
