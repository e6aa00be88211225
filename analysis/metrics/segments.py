"""Holds and ramps of a run: by the logged set point when there is one, else found in the channels and marked detected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.metrics.basis import Basis
from analysis.metrics.slopes import window_slopes
from analysis.metrics.traces import median

SETPOINT_FLAT_K = 0.5  # K: set points are usually whole degrees; half a step is a constant one
DETECTED_FLAT_K = 3.0  # K: a held board wanders by a kelvin or two about its temperature
DETECTED_STEP_C = 5.0  # °C: a detected hold is named by its temperature to the nearest 5, so that runs compare


@dataclass(frozen=True)
class Hold:
    """A stretch at one temperature: sample indices `begin` (first) to `end` (last), temperature [°C]."""

    begin: int
    end: int
    temperature_c: float
    detected: bool


def holds(b: Basis, run: int, least_s: float) -> list[Hold]:
    """Stretches of a run of at least `least_s` seconds at a constant temperature above the start, in time order."""
    t = b.traces.t
    if len(t) < 3:
        return []
    own = slice(run * b.traces.per, (run + 1) * b.traces.per)
    warm = float(median(b.start_c[own])) + 20.0  # K above the start: waiting in the cold is not a hold
    if b.setpoint is not None:
        setpoint = b.setpoint[run]
        flat = np.abs(setpoint[1:] - setpoint[:-1]) <= SETPOINT_FLAT_K * 1e-3
        return [
            Hold(i, j, float(round(setpoint[i])), False)  # named by whole degrees, as set-point tables are
            for i, j in _stretches(flat)
            if t[j] - t[i] >= least_s and setpoint[i] > warm
        ]
    rows = own.start + np.flatnonzero(b.judged[own])
    if len(rows) == 0:
        return []
    # without a set point: the steepest slope that keeps a hold within its band over `least_s`
    begin, _, slope, _ = window_slopes(b.traces.of_run(run), 20.0)
    if slope.shape[1] == 0:
        return []
    middle = slope[rows - own.start].mean(axis=0)
    quiet = np.abs(middle) <= 2.0 * DETECTED_FLAT_K / least_s
    found = []
    at = np.searchsorted(t, begin)
    mean = b.traces.v[rows].mean(axis=0)
    heated = float(b.peak_end_s[rows].max())  # what rests after the peak is the oven cooling
    for i, j in _stretches(quiet[1:] & quiet[:-1]):
        first, last = int(at[i]), min(int(np.searchsorted(t, begin[j] + 20.0, side="right")) - 1, len(t) - 1)
        level = float(median(mean[first : last + 1]))
        if t[last] - t[first] >= least_s and level > warm and t[first] < heated:
            found.append(Hold(first, last, DETECTED_STEP_C * round(level / DETECTED_STEP_C), True))
    return found


def _stretches(same: np.ndarray) -> list[tuple[int, int]]:
    """Runs of True in `same` (between neighbours) as (first, last) sample indices."""
    edge = np.diff(np.concatenate(([0], same.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edge == 1).tolist(), np.flatnonzero(edge == -1).tolist(), strict=True))
