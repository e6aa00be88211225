"""Collects what the formulas found, column by column: one metric of all channels, or of all runs, of a batch.

Numbers stay in arrays; words (why there is no value, how it was come by) are made for the few rows that need them. The
record view, `MetricValue`, is made from the columns when somebody asks for a run.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.quantities import QUANTITIES
from analysis.results import MetricStatus, MetricValue

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
STATUSES: tuple[MetricStatus, ...] = ("ok", "not reached", "not evaluated", "incomplete")
_OK, _INCOMPLETE = 0, 3
_CODE = {status: code for code, status in enumerate(STATUSES)}
_UNIT = {name: q.unit for name, q in QUANTITIES.items()}
Why = str | Callable[[int], str]  # a reason, or what gives it for a row
Absent = tuple[MetricStatus, Why] | Callable[[int], tuple[MetricStatus, str]]
Note = str | tuple[BoolArray, Why] | None  # how sound values were come by: all of them, or the rows marked


@dataclass
class Column:
    """One metric under one definition. Arrays are (rows,) with `of_channels`, else (runs,).

    `value`, `uncertainty`: NaN where there is none; `status`: places in STATUSES. `said` is the reason of every row
    that has none of its own in `reasons`.
    """

    metric: str
    parameters: str
    of_channels: bool
    value: FloatArray
    uncertainty: FloatArray
    status: NDArray[np.uint8]
    said: str | None = None
    reasons: dict[int, str | None] = field(default_factory=dict[int, str | None])

    @property
    def unit(self) -> str:
        return _UNIT[self.metric]


class Sheet:
    """The metrics of a batch of runs in the making. Rows are channels: `per` of each run, numbered by `numbers`."""

    def __init__(self, numbers: Sequence[int], runs: int) -> None:
        self.numbers = list(numbers)
        self.runs = runs
        self.per = len(self.numbers) // runs if runs else 0
        self.columns: list[Column | list[tuple[int, MetricValue]]] = []  # a list: metrics that only some runs have

    def channels(
        self,
        metric: str,
        parameters: str,
        value: FloatArray,
        uncertainty: FloatArray | None = None,
        *,
        absent: Absent = ("not evaluated", "no value"),
        incomplete: tuple[BoolArray, Why] | None = None,
        note: Note = None,
    ) -> None:
        """One value a channel. NaN becomes no value with the status and reason of `absent`. Rows marked in `incomplete`
        get the status "incomplete" and its reason, with their value if there is one. `note` is the reason given with a
        sound value: how it was come by."""
        missing = np.isnan(value)
        u = np.full(len(value), np.nan) if uncertainty is None else uncertainty
        status = np.zeros(len(value), dtype=np.uint8)
        column = Column(metric, parameters, True, value, u, status, note if isinstance(note, str) else None)
        if isinstance(note, tuple):
            column.reasons = {row: _said(note[1], row) for row in np.flatnonzero(note[0]).tolist()}
        gone = np.flatnonzero(missing)
        if len(gone):
            column.uncertainty = np.where(missing, np.nan, u)
            if callable(absent):
                for row in gone.tolist():
                    name, column.reasons[row] = absent(row)
                    status[row] = _CODE[name]
            else:
                status[gone] = _CODE[absent[0]]
                why = absent[1]
                if isinstance(why, str) and len(gone) == len(value):
                    column.said, column.reasons = why, {}
                else:
                    column.reasons.update((row, _said(why, row)) for row in gone.tolist())
        if incomplete is not None:
            cut = np.flatnonzero(incomplete[0])
            status[cut] = _INCOMPLETE
            column.reasons.update((row, _said(incomplete[1], row)) for row in cut.tolist())
        self.columns.append(column)

    def of_runs(
        self,
        metric: str,
        parameters: str,
        value: FloatArray,
        uncertainty: FloatArray | None = None,
        *,
        absent: Absent = ("not evaluated", "no value"),
        incomplete: tuple[BoolArray, Why] | None = None,
        note: Note = None,
    ) -> None:
        """One value a run, as `channels`."""
        self.channels(metric, parameters, value, uncertainty, absent=absent, incomplete=incomplete, note=note)
        column = self.columns[-1]
        assert isinstance(column, Column)
        column.of_channels = False

    def declined(self, metric: str, parameters: str, reason: str, *, of_channels: bool = True) -> None:
        """A metric of every channel (or of every run) that cannot be given, for one reason."""
        none = np.full(len(self.numbers) if of_channels else self.runs, np.nan)
        status = np.full(len(none), _CODE["not evaluated"], dtype=np.uint8)
        self.columns.append(Column(metric, parameters, of_channels, none, none, status, reason))

    def singles(self, values: Sequence[tuple[int, MetricValue]]) -> None:
        """Metrics that only some runs have: (run in the batch, value)."""
        if values:
            self.columns.append(list(values))

    def of_run(self, run: int, only: Collection[str | tuple[str, str]] | None = None) -> list[MetricValue]:
        """The metrics of one run of the batch as records; `only` those of these names, or (name, parameters)."""
        found: list[MetricValue] = []
        own = slice(run * self.per, (run + 1) * self.per)
        numbers = self.numbers[own]
        for column in self.columns:
            if isinstance(column, list):
                own_ones = (m for at, m in column if at == run)
                found += [m for m in own_ones if only is None or m.metric in only or (m.metric, m.parameters) in only]
                continue
            if only is not None and column.metric not in only and (column.metric, column.parameters) not in only:
                continue
            metric, parameters, unit, said = column.metric, column.parameters, column.unit, column.said
            if not column.of_channels:
                part, places = slice(run, run + 1), (None,)
            else:
                part, places = own, numbers
            values, us = column.value[part].tolist(), column.uncertainty[part].tolist()
            for i, (number, x, u, code) in enumerate(
                zip(places, values, us, column.status[part].tolist(), strict=True)
            ):
                reason = column.reasons.get(part.start + i, said) if column.reasons else said
                found.append(
                    MetricValue(
                        *(metric, number, None if x != x else x, None if u != u else u),
                        *(unit, STATUSES[code], reason, parameters),
                    )
                )
        return found


def single(
    metric: str,
    parameters: str,
    value: float | None,
    uncertainty: float | None = None,
    status: MetricStatus = "ok",
    reason: str | None = None,
) -> MetricValue:
    """One value of one run, for `Sheet.singles`."""
    return MetricValue(metric, None, value, uncertainty, _UNIT[metric], status, reason, parameters)


def _said(why: Why, row: int) -> str:
    return why if isinstance(why, str) else why(row)
