"""Collects what the formulas found as MetricValue records, one a channel or one for the run."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.quantities import QUANTITIES
from analysis.results import MetricStatus, MetricValue

FloatArray = NDArray[np.float64]
_UNIT = {name: q.unit for name, q in QUANTITIES.items()}
Why = str | Callable[[int], str]


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
        absent: tuple[MetricStatus, Why] = ("not evaluated", "no value"),
        incomplete: tuple[NDArray[np.bool_], Why] | None = None,
        note: str | None = None,
    ) -> None:
        """One value a channel. NaN becomes no value with the status and reason of `absent`; rows of `incomplete` keep
        their value under the status "incomplete"; `note` is the reason given with a sound value (how it was come by)."""
        unit = _UNIT[metric]
        values = value.tolist()
        us = [None] * len(values) if uncertainty is None else uncertainty.tolist()
        cut = None if incomplete is None or not incomplete[0].any() else incomplete
        for row, (number, x, u) in enumerate(zip(self.numbers, values, us, strict=True)):
            if x != x:
                status, why = absent
                reason = why if isinstance(why, str) else why(row)
                if cut is not None and cut[0][row]:
                    status, reason = "incomplete", cut[1] if isinstance(cut[1], str) else cut[1](row)
                self.values.append(MetricValue(metric, number, None, None, unit, status, reason, parameters))
            elif cut is not None and cut[0][row]:
                why = cut[1]
                reason = why if isinstance(why, str) else why(row)
                u = None if u is None or u != u else u
                self.values.append(MetricValue(metric, number, x, u, unit, "incomplete", reason, parameters))
            else:
                u = None if u is None or u != u else u
                self.values.append(MetricValue(metric, number, x, u, unit, "ok", note, parameters))

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
