"""What a reflow run can be: the yardstick that settles units nobody wrote down.

A run starts near room temperature and peaks 130 to 300 °C some minutes later. Celsius, Fahrenheit, Kelvin and scaled
integers of the same curve differ so much that usually one reading alone is possible; the same holds for seconds,
milliseconds and minutes. Each reading gets a plausibility from 0 to 1; one is taken without asking only when it is at
least `CLEAR` times as plausible as the next.

The bounds are trade practice (no published source): bismuth paste peaks from about 150 °C, lead-free up to about 260 °C,
small ovens heat at 0.3 to 4 °C/s.
"""

from __future__ import annotations

import numpy as np

from ingest.reading.units import CELSIUS, FAHRENHEIT, KELVIN, SECONDS, Unit
from ingest.recording import FloatArray

CLEAR = 10.0  # how many times as plausible the best reading must be
LOWEST_C, HIGHEST_C = -60.0, 500.0  # no sensor in a small oven is colder or hotter; outside, a number is no temperature
HEATED_C = 60.0  # nothing in a log that never gets this hot was heated on purpose

_COLD = ((15.0, 36.0, 1.0), (5.0, 48.0, 0.5), (-10.0, 100.0, 0.2), (-30.0, 160.0, 0.04))
_PEAK = ((150.0, 275.0, 1.0), (130.0, 305.0, 0.5), (60.0, 340.0, 0.05), (40.0, 400.0, 0.01))
_RISE = ((60.0, 900.0, 1.0), (25.0, 1800.0, 0.3), (12.0, 7200.0, 0.05))
_STEP = ((0.04, 15.0, 1.0), (0.004, 90.0, 0.3), (0.0005, 600.0, 0.02))


def _grade(value: float, bands: tuple[tuple[float, float, float], ...]) -> float:
    return next((g for low, high, g in bands if low <= value <= high), 0.0)


def cold_and_peak(values: FloatArray) -> tuple[float, float]:
    """Coldest and hottest value, two odd samples at either end left out. NaN are ignored; NaN, NaN without values."""
    good = np.sort(values[np.isfinite(values)])
    if not len(good):
        return float("nan"), float("nan")
    k = min(2, len(good) // 20)
    return float(good[k]), float(good[-1 - k])


def plausible_as(unit: Unit, cold: float, peak: float) -> float:
    """How well the coldest and hottest raw value fit a run if written in this unit."""
    c, p = unit.to_celsius(np.array([cold, peak]))
    return _grade(float(c), _COLD) * _grade(float(p), _PEAK)


SCALED = tuple(
    Unit("temperature", s, f)
    for s, f in (("°C", 0.1), ("°C", 0.25), ("°C", 0.01), ("°F", 0.1), ("K", 0.1), ("K", 0.01))
)
RARE = (
    Unit("temperature", "°C", 0.0625),
    Unit("temperature", "°C", 0.5),
    Unit("temperature", "°C", 0.125),
    Unit("temperature", "°C", 0.001),
)


def rank_units(cold: float, peak: float, integers: bool) -> list[tuple[float, Unit]]:
    """Units by plausibility, best first. Scaled units only for whole numbers, at half weight; unusual scales at a
    thirtieth, so that they are proposed but never taken."""
    ranked = [(plausible_as(u, cold, peak), u) for u in (CELSIUS, FAHRENHEIT, KELVIN)]
    if integers:
        ranked += [(0.5 * plausible_as(u, cold, peak), u) for u in SCALED]
        ranked += [(0.03 * plausible_as(u, cold, peak), u) for u in RARE]
    return sorted(ranked, key=lambda r: -r[0])


def setpoint_fits(unit: Unit, low: float, top: float) -> float:
    """How well a profile that commands from `low` to `top` (raw; the lowest command above 0) fits a run in this unit.

    Nobody commands a solder oven to frost: "25" where a profile begins is no 25 °F.
    """
    lowest, highest = unit.to_celsius(np.array([low, top]))
    return _grade(float(highest), _PEAK) * (1.0 if float(lowest) >= 0.0 else 0.02)


def plausible_rise(seconds: float) -> float:
    """How plausible it is that heating from cold to the peak takes this long [s]."""
    return _grade(seconds, _RISE)


def rank_time_units(rise: float, step: float) -> list[tuple[float, str]]:
    """Time units by plausibility. `rise`: raw clock counts from cold to peak (NaN: no rise seen); `step`: usual raw step."""
    ranked: list[tuple[float, str]] = []
    for symbol, seconds in SECONDS.items():
        usual = 0.2 if symbol in ("0.1 s", "0.01 s", "d", "us") else 1.0
        value = _grade(step * seconds, _STEP) * usual
        if np.isfinite(rise):
            value *= plausible_rise(rise * seconds)
        ranked.append((value, symbol))
    return sorted(ranked, key=lambda r: -r[0])


def rise_count(clock: FloatArray, curve_c: FloatArray) -> float:
    """Raw clock counts from the last time the curve was cold to its peak. NaN when it never rises by 60 K.

    Backward steps and single leaps of the clock are not counted.
    """
    good = np.flatnonzero(np.isfinite(curve_c) & np.isfinite(clock))
    if len(good) < 5:
        return float("nan")
    curve, ticks = curve_c[good], clock[good]
    top = int(np.argmax(curve))
    cold = float(np.min(curve[: top + 1]))
    if curve[top] - cold < 60.0:
        return float("nan")
    below = np.flatnonzero(curve[: top + 1] < cold + 0.15 * (curve[top] - cold))
    steps = np.diff(ticks[below[-1] : top + 1])
    steps = steps[steps > 0]
    if not len(steps):
        return float("nan")
    usual = float(np.median(steps))
    return float(np.sum(np.minimum(steps, 20 * usual)))
