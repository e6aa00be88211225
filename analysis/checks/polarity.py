"""Reversed thermocouples: the reading falls as the oven heats, mirrored about the terminals' temperature."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.view import FloatArray, View, unable
from analysis.results import Finding

# A fall of 8 K is beyond noise, resolution and draughts, and comes within the first 10 s of any real heating.
LEAST_FALL_K = 8.0
# The others must have moved this much before a direction means anything.
LEAST_RISE_K = 25.0
# Mirrored readings are below the terminals' temperature whenever the oven is hot: 20 °C or less.
MIRRORED_BELOW_C = 20.0
# The first 40 K of heating decide even where a reading is cut off at 0 °C or lost below its range
# (type K reversed, terminals at 25 °C: -55.8 at a true 100 °C, no reading above 208 °C).
FIRST_RISE_K = 40.0
# Where the reading is cut off it may take 10 K of heating only; then it must end below any room.
CUT_RISE_K = 10.0
CUT_BELOW_C = 5.0
CORRELATION = -0.8
SLOPE = -0.2


def check_reversed(view: View) -> list[Finding]:
    """Domain: something else tells that the oven heats: another channel, the set point or the logged duty.

    An input that cuts off at 0 °C shows the fall only on a cold start; on a warm one it reads 0 and is found stuck.
    """
    findings: list[Finding] = []
    without_reference = 0
    for row in view.alive:
        reading = view.filled[row]
        jumps = view.jumps[row]
        stop = int(jumps[0]) + 1 if len(jumps) else len(reading)
        lowest = float(reading[:stop].min())
        falls = reading[0] - lowest >= LEAST_FALL_K or lowest <= -LEAST_FALL_K
        if lowest > MIRRORED_BELOW_C or not falls:
            continue
        reference, words = _heating_reference(view, row, stop)
        if reference is None:
            without_reference += 1
            continue
        fit = _mirrored(reading[:stop], reference[:stop])
        if fit is None:
            continue
        fall, slope = fit
        view.failed[row] = "reversed"
        findings.append(
            view.finding(
                "reversed",
                view.numbers[row],
                "fail",
                f"{view.names[row]} falls by {fall:.0f} K to {lowest:.0f} °C while {words} rises "
                f"({slope:+.2f} K per K).",
            )
        )
    if not findings and without_reference:
        findings.append(
            unable("reversed", "one channel, no set point and no duty in the log: nothing tells heating from cooling")
        )
    return findings


def _heating_reference(view: View, row: int, stop: int) -> tuple[FloatArray | None, str]:
    """The signal that says the oven heats, and its name: the others, else the set point, else the heat asked for."""
    others = view.others(row)
    if others:
        middle = view.middle(others)
        if np.ptp(middle[:stop]) >= LEAST_RISE_K:
            return middle, "the other" if len(others) == 1 else "the middle of the others"
    if view.setpoint is not None and np.ptp(view.setpoint[:stop]) >= LEAST_RISE_K:
        return view.setpoint, "the set point"
    if view.duty is not None:
        asked = np.concatenate(([0.0], np.cumsum(np.nan_to_num(view.duty[:-1]) * view.steps_s)))
        if np.ptp(asked[:stop]) >= LEAST_RISE_K:  # a second of full power heats by about 1 K
            return asked, "the heat asked for"
    return None, ""


def _mirrored(reading: FloatArray, reference: FloatArray) -> tuple[float, float] | None:
    """(fall [K], slope) when the reading mirrors the reference: over all of it, over its first rise, or, where it is
    cut off, up to its lowest; else None."""
    low = int(np.argmax(reading <= reading.min() + 0.5))
    first = reference <= reference.min() + FIRST_RISE_K
    for part, rise, below in (
        (slice(None), LEAST_RISE_K, MIRRORED_BELOW_C),
        (first, LEAST_RISE_K, MIRRORED_BELOW_C),
        (slice(low + 1), CUT_RISE_K, CUT_BELOW_C),
    ):
        x, y = reference[part], reading[part]
        if len(x) < 4 or np.ptp(x) < rise or y.min() > below or np.ptp(y) < LEAST_FALL_K:
            continue
        dx, dy = x - x.mean(), y - y.mean()
        sxx, sxy, syy = float(dx @ dx), float(dx @ dy), float(dy @ dy)
        if syy > 0 and sxy / np.sqrt(sxx * syy) <= CORRELATION and sxy / sxx <= SLOPE:
            return float(np.ptp(y)), sxy / sxx
    return None


def screen_reversed(many: Many) -> BoolArray:
    """Rows that fall, below any room."""
    falls = (many.values[:, :, 0] - many.lowest >= LEAST_FALL_K) | (many.lowest <= -LEAST_FALL_K)
    return many.jumps | (falls & (many.lowest <= MIRRORED_BELOW_C)).any(axis=1)
