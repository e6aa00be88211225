"""Readings that are scaled: another thermocouple type set than wired, or another unit."""

from __future__ import annotations

import numpy as np

from analysis.checks.many import BoolArray, Many
from analysis.checks.view import FloatArray, View, middle_of, unable
from analysis.results import Finding

# Published thermocouple functions: J wire read as K 319 °C at a true 245 °C (rise 1.34 times), K read as J 190 °C
# (0.75 times), K read as E 159 °C (0.61). Honest places in one oven differ by 10 to 15 %, so a fifth is asked: T wire
# read as K (1.20 times) is at the edge of it.
SCALED_UP = 1.20
SCALED_DOWN = 1.0 / SCALED_UP
LEAST_RISE_K = 80.0
# From a warm or late start the rise is not known, only what is left of it.
START_BELOW_C = 45.0
# A scaled channel still reads right when cold.
COLD_WITHIN_K = 4.0
# No solder profile takes a channel this high: 245 °C written in °F and read as °C is 473.
ABOVE_ANY_PROFILE_C = 330.0
FEW_RISE = "needs three channels that rise, to say which one is scaled"
NO_TURN = "no channel rises by 80 K from a cold start and falls again in this log"


def check_wrong_scale(view: View) -> list[Finding]:
    """Domain: three channels that rise by 80 K from a cold start and turn (without a turn, lag looks like scale); or
    every channel above what a solder profile reaches."""
    highest = view.filled.max(axis=1)
    rise = highest - view.filled.min(axis=1)
    rows = [row for row in view.alive if rise[row] >= 0.5 * LEAST_RISE_K]
    high = [row for row in rows if highest[row] > ABOVE_ANY_PROFILE_C and _high(view.filled[row]) > ABOVE_ANY_PROFILE_C]
    if rows and len(high) == len(rows) and _high_start(view, rows):
        peak = max(_high(view.filled[row]) for row in rows)
        evidence = f"{_all_of(len(rows))} near {view.filled[rows, 0].mean():.0f} and go up to {peak:.0f} °C."
        return [view.finding("wrong_scale", None, "suspect", evidence)]
    if len(rows) < 3:
        return [unable("wrong_scale", FEW_RISE)]
    peaks = np.argmax(view.filled, axis=1)
    found: list[tuple[float, int, str]] = []
    turned = 0
    for row in rows:
        others = [other for other in rows if other != row]
        middle = view.middle(others)
        compared = _ratios(view, row, middle, peaks)
        if compared is None:
            continue
        turned += 1
        slope, at_turn = compared
        up = min(slope, at_turn) >= SCALED_UP
        down = max(slope, at_turn) <= SCALED_DOWN
        if up or down:
            away = min(abs(np.log(slope)), abs(np.log(at_turn)))
            evidence = (
                f"{view.names[row]} rises {slope:.2f} times as far as the middle of the others "
                f"({at_turn:.2f} times where both have turned), from {view.filled[row, 0]:.0f} °C cold."
            )
            found.append((away, row, evidence))
    if found:
        _, row, evidence = max(found)
        view.failed[row] = "wrong_scale"
        return [view.finding("wrong_scale", view.numbers[row], "fail", evidence)]
    if not turned:
        return [unable("wrong_scale", NO_TURN)]
    return []


def _all_of(count: int) -> str:
    return "The only channel starts" if count == 1 else f"All {count} channels start"


def _high(reading: FloatArray) -> float:
    """The third highest reading [°C], so that one spike does not count."""
    return float(np.partition(reading, -3)[-3])


def _high_start(view: View, rows: list[int]) -> bool:
    """A cold room in °F read as °C starts between 50 and 100, in K read as °C near 295."""
    first = float(view.filled[rows, 0].mean())
    return 50.0 <= first <= 100.0 or first >= 270.0


def _ratios(view: View, row: int, middle: FloatArray, peaks: np.ndarray) -> tuple[float, float] | None:
    """(slope over the whole run, ratio of the rises at the later turning point) against the others; None: no turn. Where
    the second alone rules a scale out, it stands for both.

    At its own maximum a lagging body equals what surrounds it, whatever its time constant, so the later of the two
    maxima compares the places without their lag; a door opened there can disturb it, the slope over the run cannot
    be disturbed that way but carries the lag. Only where both agree is it scale.
    """
    reading = view.filled[row]
    later = max(int(peaks[row]), int(np.argmax(middle)))
    base, others_base = float(reading[:3].min()), float(middle[:3].min())
    rise, others_rise = float(reading[later] - base), float(middle[later] - others_base)
    last = len(reading) - 1
    turned = reading[last] < reading.max() - 10.0 and middle[last] < middle.max() - 10.0
    if not turned or max(rise, others_rise) < LEAST_RISE_K or min(rise, others_rise) <= 0:
        return None
    if max(base, others_base) > START_BELOW_C or abs(base - others_base) > COLD_WITHIN_K + 0.2 * max(
        0.0, others_base - 20.0
    ):
        return None
    at_turn = rise / others_rise
    if SCALED_DOWN < at_turn < SCALED_UP:  # no scale, whatever the slope: both must agree
        return at_turn, at_turn
    dx, dy = middle - middle.mean(), reading - reading.mean()
    slope = float(dx @ dy) / float(dx @ dx)
    return (slope, at_turn) if slope > 0 else None


def screen_wrong_scale(many: Many) -> BoolArray:
    """Rows above any profile, or that rise by another part than the middle of the others; runs where only some rise."""
    rises = many.highest - many.lowest >= 0.5 * LEAST_RISE_K
    found = (many.highest > ABOVE_ANY_PROFILE_C).any(axis=1)
    few = rises.sum(axis=1) < 3
    many.answers.unable(few, "wrong_scale", FEW_RISE)
    found |= ~few & ~rises.all(axis=1)
    if (few | found).all():
        return found
    runs, turned_in = np.arange(len(many)), many.nowhere
    peaks, base = many.values.argmax(axis=2), many.values[:, :, :3].min(axis=2)
    for row in range(len(many.numbers)):
        middle = middle_of(many.by_row[[other for other in range(len(many.numbers)) if other != row]])
        top = middle.argmax(axis=1)
        later = np.maximum(peaks[:, row], top)
        low, others_low = base[:, row], middle[:, :3].min(axis=1)
        rise, others_rise = many.values[runs, row, later] - low, middle[runs, later] - others_low
        turned = (many.values[:, row, -1] < many.highest[:, row] - 10.0) & (middle[:, -1] < middle[runs, top] - 10.0)
        turned &= (np.maximum(rise, others_rise) >= LEAST_RISE_K) & (np.minimum(rise, others_rise) > 0)
        turned &= np.maximum(low, others_low) <= START_BELOW_C
        turned &= np.abs(low - others_low) <= COLD_WITHIN_K + 0.2 * np.maximum(0.0, others_low - 20.0)
        at_turn = rise / np.where(turned, others_rise, 1.0)
        within = turned & (at_turn > SCALED_DOWN) & (at_turn < SCALED_UP)
        found |= ~few & turned & ~within
        turned_in |= within
    many.answers.unable(~few & ~turned_in, "wrong_scale", NO_TURN)
    return found
