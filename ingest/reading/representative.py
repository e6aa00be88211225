"""The representative curve of a log, by which clock and runs are judged, and where the log itself says a run is on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ingest.reading import faults
from ingest.reading.plans import Plan
from ingest.reading.repair import Timeline
from ingest.recording import (
    FloatArray,
)


def representative_curve(plans: Sequence[Plan], rows: int) -> FloatArray | None:
    """Median over the measured channels [°C] per row, markers left out; the representative curve for clock and runs. Fills
    `plan.celsius` on the way."""
    stack: list[FloatArray] = []
    for plan in plans:
        if plan.column.numbers is None or plan.unit is None or plan.unit.kind != "temperature":
            continue
        celsius = plan.unit.to_celsius(plan.column.numbers)
        plan.celsius = celsius
        if plan.role in ("temperature", "reference_junction", "other"):
            marked = faults.sentinel_rows(plan.column.numbers, celsius)
            plan.marked = marked
            if marked.any():
                plan.celsius = celsius = np.where(marked, np.nan, celsius)
        if plan.role == "temperature" and np.isfinite(celsius).any():
            stack.append(celsius)
    if not stack:
        return None
    moving = [c for c in stack if float(np.nanmax(c)) - float(np.nanmin(c)) > 20.0] or stack
    if len(moving) == 1:
        return moving[0]
    matrix = np.array(moving)
    if np.isfinite(matrix).all():
        if len(moving) == 2:
            return matrix.max(axis=0)
        matrix.sort(axis=0)  # the median, at a third of np.median's cost
        return (matrix[(len(moving) - 1) // 2] + matrix[len(moving) // 2]) / 2
    out = np.full(rows, np.nan)
    some = np.isfinite(matrix).any(axis=0)
    out[some] = np.nanmedian(matrix[:, some], axis=0)
    return out


def busy_rows(plans: Sequence[Plan], line: Timeline) -> np.ndarray | None:
    """True where heater or set point show that a run is on; None when the log has neither."""
    busy: np.ndarray | None = None
    for plan in plans:
        if plan.role == "duty" and plan.column.numbers is not None:
            here = plan.column.numbers[line.rows] > 0
        elif plan.role == "setpoint" and plan.celsius is not None:
            here = plan.celsius[line.rows] > 45.0
        else:
            continue
        busy = here if busy is None else busy | here
    return busy
