"""Columns that repeat or sum up others (averages, filtered values, a second unit), and the scale of heater duty."""

from __future__ import annotations

import numpy as np

from ingest.reading.plans import Planned, resolution_of
from ingest.reading.units import Unit
from ingest.reading.words import words_of
from ingest.recording import Notice


def judge_lone_smoothed(planned: Planned) -> None:
    """A filtered value is judged when the log has no other."""
    temps = [p for p in planned.plans if p.role == "temperature"]
    if not any(p.judged for p in temps):
        for plan in temps:
            if "smoothed" in plan.says.kinds:
                plan.judged = True
                plan.reasons.append("filtered, but the only value of its sensor")


def settle_duty(planned: Planned) -> None:
    for plan in planned.plans:
        if plan.role != "duty" or plan.unit is not None or plan.column.numbers is None:
            continue
        good = plan.column.numbers[np.isfinite(plan.column.numbers)]
        if not len(good):
            plan.unit = Unit("fraction", "%", 0.01)
            continue
        top, low = float(good.max()), float(good.min())
        words = set(words_of(plan.column.name))
        if low < 0 or top > 1023:
            plan.role, plan.confidence = "other", 0.5
            plan.reasons.append("values outside any duty scale: kept as a number")
        elif top <= 1.0:
            plan.unit = Unit("fraction", "0-1")
            plan.reasons.append("never above 1: a fraction")
        elif top <= 100.0:
            plan.unit = Unit("fraction", "%", 0.01)
            plan.reasons.append("never above 100: per cent")
            if "pwm" in words and top < 99.0:
                plan.confidence = 0.5
            if top < 99.0:
                planned.notices.append(
                    Notice("duty_scale", f"{plan.column.name} has no unit and never exceeds {top:g}; read as per cent.")
                )
        elif top <= 255.0:
            plan.unit = Unit("fraction", "0-255", 1 / 255)
            plan.reasons.append("never above 255: a byte")
        else:
            plan.unit = Unit("fraction", "0-1000", 0.001) if top <= 1000.0 else Unit("fraction", "0-1023", 1 / 1023)
            plan.reasons.append(f"never above {top:g}")


def mark_averages(planned: Planned) -> None:
    """A temperature column that equals the mean of the others, whatever its name, is an average."""
    temps = [
        p for p in planned.plans if p.role == "temperature" and p.column.numbers is not None and p.unit is not None
    ]
    if len(temps) < 3:
        return
    for plan in temps:
        others = [p for p in temps if p is not plan and p.judged and p.unit == plan.unit]
        if not plan.judged or len(others) < 2:
            continue
        assert plan.column.numbers is not None
        stack = np.array([o.column.numbers for o in others])
        if not np.isfinite(stack).any():
            continue
        mean = stack.mean(axis=0)
        apart = np.abs(plan.column.numbers - mean)
        apart = apart[np.isfinite(apart)]
        bound = resolution_of(plan.column.numbers) * 1.01
        if np.count_nonzero(apart <= bound) < 0.9 * len(apart):  # then the 95th percentile is above it; cheap to see
            continue
        spread = np.ptp(stack, axis=0)
        spread = spread[np.isfinite(spread)]
        if len(apart) >= 20 and float(np.median(spread)) > 2.0 and float(np.percentile(apart, 95)) <= bound:
            plan.judged = False
            plan.reasons.append("equals the mean of the other channels: an average, kept and never judged")
            return


def merge_units(planned: Planned) -> None:
    """The same sensor written in two units is one channel."""
    temps = [
        p for p in planned.plans if p.role == "temperature" and p.column.numbers is not None and p.unit is not None
    ]
    if len({p.unit for p in temps}) < 2:
        return
    for i, plan in enumerate(temps):
        for other in temps[:i]:
            if plan.unit != other.unit and other.role == "temperature" and plan.unit and other.unit:
                a, b = plan.unit.to_celsius(plan.column.numbers), other.unit.to_celsius(other.column.numbers)  # type: ignore[arg-type]
                apart = np.abs(a - b)
                if np.isfinite(apart).any() and float(np.nanmax(apart)) <= 0.6:
                    plan.role, plan.judged = "other", False
                    plan.reasons.append(f"the same as {other.column.name}, in another unit")
