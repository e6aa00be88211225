"""Fault markers among temperatures: text, sentinel numbers, full scale, drops to zero.

A number is a marker, and the sample missing, when
1. it lies outside what a small oven can show (`physics.LOWEST_C` to `HIGHEST_C`), in °C; or
2. it is one of the numbers controllers write for a failed sensor (`SENTINELS`) and it is entered and left by leaps no
   sensor makes; or the whole channel never shows anything else; or
3. it is the same extreme value at three separate places or more, entered and left by such leaps.
A leap is more than `LEAP_K` and five times the channel's usual largest step: zero inside a hot run is a marker, zero
reached by cooling is a temperature. Lone spikes to other values stay: judging them is the channel checks' work.
"""

from __future__ import annotations

import numpy as np

from ingest.reading.cells import FaultKind, fault_kind
from ingest.reading.physics import HIGHEST_C, LOWEST_C
from ingest.recording import FloatArray

LEAP_K = 10.0  # at the usual 0.1 to 5 s between samples no sensor moves so much at once and comes back
SENTINELS = (
    0.0,
    -1.0,
    85.0,
    -127.0,
    127.0,
    255.0,
    256.0,
    -0.25,
    1.0,
    32.0,
    400.0,
    450.0,
    500.0,
    -50.0,
    -40.0,
    -55.0,
    99.9,
    300.0,
    350.0,
)


def is_marker_number(value: float | None) -> bool:
    """True for a number that is written for a failed sensor, or is beyond any temperature in any common unit."""
    return value is not None and (value in SENTINELS or value > 1000.0 or value < -100.0)


def is_far_out(value_c: FloatArray) -> np.ndarray:
    """True where a value [°C] can be no temperature of a small oven."""
    return (value_c < LOWEST_C) | (value_c > HIGHEST_C)


def text_faults(marks: dict[int, str]) -> dict[int, tuple[str, FaultKind]]:
    """Row -> (marker as written, kind) for texts that mean a failed sensor. Damaged numbers are missing, not a marker."""
    out: dict[int, tuple[str, FaultKind]] = {}
    for row, text in marks.items():
        kind = fault_kind(text)
        if kind is None and not any(c.isdigit() for c in text):
            kind = "fault"
        if kind is not None:
            out[row] = (text, kind)
    return out


def sentinel_rows(raw: FloatArray, celsius: FloatArray) -> np.ndarray:
    """True where the number stands for a failed sensor. `raw`: as written; `celsius`: the same in °C. NaN stays False."""
    marked = is_far_out(celsius)
    good = np.isfinite(celsius) & ~marked
    index = np.flatnonzero(good)
    if not len(index):
        return marked
    values, written = celsius[index], raw[index]
    low, high = values.min(), values.max()
    candidates: list[float] = []
    steps = np.abs(np.diff(values))
    if len(steps) and steps.max() > LEAP_K:
        around = np.flatnonzero(steps > LEAP_K)
        seen = np.unique(np.concatenate([written[around], written[around + 1]]))
        candidates = [
            float(v)
            for v in seen
            if v in SENTINELS or float(v) * 1.0 in (written[values == low][0], written[values == high][0])
        ]
    elif low == high and float(written[0]) in (0.0, -1.0, -127.0, 255.0, 1.0):
        if float(written[0]) in (0.0, -1.0, -127.0) and len(index) > 10:
            marked[index] = True  # a channel that shows nothing else
        return marked
    for value in candidates:
        at = written == value
        if at.all():
            continue
        rest = values[~at]
        usual = float(np.percentile(np.abs(np.diff(rest)), 98)) if len(rest) > 1 else 0.0
        known = value in SENTINELS
        jumps, places = _leaps(values, at, usual, known)
        if jumps and (known or places >= 3):
            marked[index[at]] = True
    return marked


def _leaps(values: FloatArray, at: np.ndarray, usual: float, known: bool) -> tuple[bool, int]:
    """True when every stretch of the value is entered and left by a leap; and the number of stretches.

    A leap exceeds `LEAP_K` and five usual steps; for a known marker also three times the distance between the samples
    before and after the stretch (slow sampling has large steps, but they do not come back). At the edges of the log one
    leap is enough.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], at, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    n = len(values)
    for a, b in zip(starts, stops, strict=True):
        if a == 0 and b == n:
            return False, len(starts)
        inner = a > 0 and b < n
        across = abs(values[b] - values[a - 1]) if inner else np.inf
        depths = [abs(values[k] - values[j]) for k, j in ((a, a - 1), (b - 1, b)) if 0 <= j < n]
        least = max(LEAP_K, 5.0 * usual)
        if known and inner:
            least = min(least, max(LEAP_K, 3.0 * across, 1.5 * usual))
        if min(depths) <= least:
            return False, len(starts)
    return True, len(starts)


def sentinel_kind(value_c: float) -> FaultKind:
    """Full scale usually means an open thermocouple; what lies far below, a range error."""
    return "open" if value_c > HIGHEST_C else "out_of_range" if value_c < LOWEST_C else "fault"


def strip_for_ranking(raw: FloatArray) -> FloatArray:
    """The raw column without numbers that are markers in any unit, for finding the unit. Unit-free: an extreme value that
    is apart from all others by more than half of their span, or one of the usual markers far from its neighbours."""
    good = raw[np.isfinite(raw)]
    if len(good) < 8:
        return good
    for _ in range(4):
        values = np.unique(good)
        if len(values) < 4:
            return good
        span = values[-2] - values[1]
        keep = np.ones(len(good), dtype=bool)
        if values[-1] - values[-2] > 0.5 * span and (good == values[-1]).sum() < 0.5 * len(good):
            keep &= good != values[-1]
        if values[1] - values[0] > 0.5 * span and (good == values[0]).sum() < 0.5 * len(good):
            keep &= good != values[0]
        if values[0] <= 0 and values[1] > 0 and values[1] - values[0] > 0.03 * span:
            keep &= good != values[0]
        if keep.all():
            return good
        good = good[keep]
    return good


def lone_spikes(values: FloatArray) -> np.ndarray:
    """Positions of single samples that leap away from both neighbours and back (`LEAP_K` and six times the usual step)."""
    at = np.flatnonzero(np.isfinite(values))
    good = values[at]
    if len(good) < 5:
        return at[:0]
    steps = np.diff(good)
    size = np.abs(steps)
    if size.max() <= LEAP_K:
        return at[:0]
    leap = max(LEAP_K, 6.0 * float(np.percentile(size, 95)))
    out, back = steps[:-1], steps[1:]
    return at[1:-1][
        (np.abs(out) > leap) & (np.abs(back) > leap) & (out * back < 0) & (np.abs(out + back) < 0.5 * np.abs(out))
    ]
