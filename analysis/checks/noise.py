"""Scatter that rises while the heater is on: interference from switching, or a ground loop."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import ROUNDING, BoolArray, Many
from analysis.checks.view import View, unable
from analysis.results import Finding

# Enough readings in one state of the heater for a scatter (median of 30 sizes: good to about 20 %).
LEAST_READINGS = 30
ON_ABOVE = 0.05
# Scatter of 1 K moves a steepest 20 s ramp by about 0.1 °C/s at 1 s samples; below that it is harmless.
LEAST_NOISE_K = 1.0
FAIL_NOISE_K = 5.0
RATIO = 3.0
# White scatter makes neighbouring second differences correlate by -2/3; a tip that truly follows the switching gives
# a positive correlation. Halfway to zero separates them.
ALTERNATES = -1.0 / 3.0
# Median size of the second differences of white noise of deviation 1.
MEDIAN_BEND = 0.6745 * 6.0**0.5
NO_DUTY = "no duty in the log, so heater on and off cannot be told apart"
FEW_READINGS = f"fewer than {LEAST_READINGS} readings with the heater steadily on, or off"


def check_heater_noise(view: View) -> list[Finding]:
    """Domain: a logged duty with at least 30 readings on and 30 off in steady state."""
    duty = view.duty
    if duty is None:
        return [unable("heater_noise", NO_DUTY)]
    on, off = _steady(duty)
    if np.count_nonzero(on) < LEAST_READINGS or np.count_nonzero(off) < LEAST_READINGS:
        return [unable("heater_noise", FEW_READINGS)]
    findings: list[Finding] = []
    for row in view.alive:
        bend = view.bend[row]
        noise_on = _scatter(bend[on])
        if noise_on < LEAST_NOISE_K + 0.5 * view.resolution_k[row]:
            continue
        noise_off = _scatter(bend[off])
        if noise_on < RATIO * noise_off or not _alternates(bend, on):
            continue
        view.scatter_k[row] = noise_on
        state = "fail" if noise_on >= FAIL_NOISE_K else "suspect"
        findings.append(
            view.finding(
                "heater_noise",
                view.numbers[row],
                state,
                f"{view.names[row]} scatters by {noise_on:.1f} K with the heater on and {noise_off:.1f} K with it off.",
                danger="",
            )
        )
    return findings


def _steady(duty: np.ndarray) -> tuple[BoolArray, BoolArray]:
    """Second differences with the heater on, or off, throughout: switching itself is a true change of slope."""
    with np.errstate(invalid="ignore"):
        is_on, is_off = duty > ON_ABOVE, duty <= ON_ABOVE
    return (
        is_on[..., :-2] & is_on[..., 1:-1] & is_on[..., 2:],
        is_off[..., :-2] & is_off[..., 1:-1] & is_off[..., 2:],
    )


def _scatter(bend: np.ndarray) -> float:
    """Standard deviation of white noise whose second differences these are [K]."""
    size = np.abs(bend[np.isfinite(bend)]) if np.isnan(bend).any() else np.abs(bend)
    if len(size) < LEAST_READINGS:
        return 0.0
    middle = len(size) // 2
    return float(np.partition(size, middle)[middle]) / MEDIAN_BEND


def _alternates(bend: np.ndarray, on: np.ndarray) -> bool:
    pairs = on[:-1] & on[1:] & np.isfinite(bend[:-1]) & np.isfinite(bend[1:])
    first, second = bend[:-1][pairs], bend[1:][pairs]
    power = float(first @ first)
    return power > 0 and float(first @ second) / power <= ALTERNATES


def screen_heater_noise(many: Many) -> BoolArray:
    """Rows whose median second difference with the heater on may be that of LEAST_NOISE_K."""
    duty, logged = many.duty
    many.answers.unable(~logged, "heater_noise", NO_DUTY)
    found = many.nowhere
    if not logged.any():
        return found
    on, off = _steady(duty)
    few = (on.sum(axis=1) < LEAST_READINGS) | (off.sum(axis=1) < LEAST_READINGS)
    many.answers.unable(logged & few, "heater_noise", FEW_READINGS)
    runs = np.flatnonzero(logged & ~few)
    if len(runs):
        values = many.values[runs]
        bend = np.abs(values[:, :, 2:] - 2.0 * values[:, :, 1:-1] + values[:, :, :-2])
        least = LEAST_NOISE_K * MEDIAN_BEND * (1.0 - ROUNDING)
        small = ((bend < least) & on[runs, None]).sum(axis=2)
        found[runs] = (small <= on[runs].sum(axis=1)[:, None] // 2).any(axis=1)
    return found
