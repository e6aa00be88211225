"""Collects what the formulas found as MetricValue records, one a channel or one for the run."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.quantities import QUANTITIES
from analysis.results import MetricStatus, MetricValue

FloatArray = NDArray[np.float64]
_UNIT = {name: q.unit for name, q in QUANTITIES.items()}
Why = str | Callable[[int], str]  # a reason, or what gives it for a row
Absent = tuple[MetricStatus, Why] | Callable[[int], tuple[MetricStatus, str]]
Note = str | Callable[[int], str | None] | None


class Sheet:
    """The metrics of one run in the making. Rows are the channels numbered by `numbers`."""

    def __init__(self, numbers: Sequence[int]) -> None:
        self.numbers = list(numbers)
        self.values: list[MetricValue] = []

    def channels(
        self,
        metric: str,
        parameters: str,
        value: FloatArray,
        uncertainty: FloatArray | None = None,
        *,
        absent: Absent = ("not evaluated", "no value"),
        incomplete: tuple[NDArray[np.bool_], Why] | None = None,
        note: Note = None,
    ) -> None:
        """One value a channel. NaN becomes no value with the status and reason of `absent`. Rows marked in `incomplete`
        get the status "incomplete" and its reason, with their value if there is one. `note` is the reason given with a
        sound value: how it was come by."""
        unit = _UNIT[metric]
        values = value.tolist()
        us = [None] * len(values) if uncertainty is None else uncertainty.tolist()
        cut = None if incomplete is None or not incomplete[0].any() else incomplete[0].tolist()
        add = self.values.append
        for row, number in enumerate(self.numbers):
            x, u = values[row], us[row]
            if u is not None and u != u:
                u = None
            missing = x != x
            if cut is not None and cut[row] and incomplete is not None:
                reason = _said(incomplete[1], row)
                if missing:
                    x = u = None
                add(MetricValue(metric, number, x, u, unit, "incomplete", reason, parameters))
            elif missing:
                status, reason = absent(row) if callable(absent) else (absent[0], _said(absent[1], row))
                add(MetricValue(metric, number, None, None, unit, status, reason, parameters))
            else:
                said = note(row) if callable(note) else note
                add(MetricValue(metric, number, x, u, unit, "ok", said, parameters))

    def run(
        self,
        metric: str,
        parameters: str,
        value: float | None,
        uncertainty: float | None = None,
        status: MetricStatus = "ok",
        reason: str | None = None,
    ) -> None:
        """One value of the run."""
        self.values.append(MetricValue(metric, None, value, uncertainty, _UNIT[metric], status, reason, parameters))

    def declined(self, metric: str, parameters: str, reason: str, status: MetricStatus = "not evaluated") -> None:
        """A metric of every channel that cannot be given, for one reason."""
        unit = _UNIT[metric]
        for number in self.numbers:
            self.values.append(MetricValue(metric, number, None, None, unit, status, reason, parameters))


def _said(why: Why, row: int) -> str:
    return why if isinstance(why, str) else why(row)
