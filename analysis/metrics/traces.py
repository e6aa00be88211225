"""The temperature channels of a recording as one array, with what the formulas need to know about gaps and steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ingest.recording import Channel, Recording

if TYPE_CHECKING:
    from analysis.metrics.stack import Stack

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
_ROWS_IN_CACHE = 64  # of 600 samples in 64 bits: 300 kB
LEAST_SAMPLES = 3  # of a run that is measured together with others


@dataclass
class Traces:
    """The temperature channels of a batch of runs that were sampled at the same moments.

    Rows are channels, those of one run side by side, equally many a run; columns are samples. `numbers` of the channels
    in their recording, `names`. `t` [s] (n,) strictly increasing. `v` [°C] (rows, n): values with inner gaps filled
    along the straight line between their neighbours, so that crossings come out as by linear interpolation between the
    samples present; NaN before the first and after the last sample of a row. `present` (rows, n): True where a sample
    was logged. `gap_s` (rows,): longest stretch without a sample inside the row [s]. `step_s`: median interval [s].
    `averages` (rows,): True for a column that is an average of others.
    """

    runs: int
    numbers: list[int]
    names: list[str]
    t: FloatArray
    v: FloatArray
    present: BoolArray
    averages: BoolArray
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    gap_s: FloatArray
    step_s: float
    whole: bool  # no sample missing anywhere
    order: NDArray[np.int64] | None  # how the samples were put in time order, None when they were

    @property
    def rows(self) -> int:
        return len(self.numbers)

    @property
    def per(self) -> int:
        """Rows of each run."""
        return len(self.numbers) // self.runs

    def parts(self) -> list[tuple[slice, Traces]]:
        """The traces of some runs at a time, with their rows: for work that goes over the samples again and again, which
        is twice as fast where they stay in the cache. Nothing in a row depends on the other rows."""
        rows = max(_ROWS_IN_CACHE // max(self.per, 1), 1) * self.per
        if self.runs == 1 or rows >= self.rows:
            return [(slice(0, self.rows), self)]
        return [
            (slice(a, min(a + rows, self.rows)), self._some(a, min(a + rows, self.rows)))
            for a in range(0, self.rows, rows)
        ]

    def of_run(self, run: int) -> Traces:
        return self._some(run * self.per, (run + 1) * self.per)

    def _some(self, first: int, last: int) -> Traces:
        own = slice(first, last)
        return replace(
            self,
            runs=(last - first) // self.per,
            numbers=self.numbers[own],
            names=self.names[own],
            v=self.v[own],
            present=self.present[own],
            averages=self.averages[own],
            first=self.first[own],
            last=self.last[own],
            gap_s=self.gap_s[own],
        )

    def by_run(self, values: NDArray) -> NDArray:
        """(rows, ...) as (runs, per, ...)."""
        return values.reshape(self.runs, self.per, *values.shape[1:])

    def to_rows(self, of_runs: NDArray) -> NDArray:
        """(runs,) repeated for every row of the run."""
        return np.repeat(of_runs, self.per)


def joined(parts: Sequence[NDArray]) -> NDArray:
    """What was worked out for the parts of traces, for all of them."""
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def median(values: FloatArray, axis: int = 0) -> FloatArray:
    """Median along one axis, NaN where any value is NaN.

    numpy's own costs ten times as much on arrays of this size, and a run takes a dozen.
    """
    values = np.moveaxis(values, axis, 0)
    count = len(values)
    if count == 2:
        return (values[0] + values[1]) / 2.0
    if count == 3:
        a, b, c = values
        return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    if count == 4:
        a, b, c, d = values
        low, high = np.maximum(np.minimum(a, b), np.minimum(c, d)), np.minimum(np.maximum(a, b), np.maximum(c, d))
        return (low + high) / 2.0
    ordered = np.sort(values, axis=0)  # NaN sorts to the end
    middle = (ordered[(count - 1) // 2] + ordered[count // 2]) / 2.0
    return middle + 0.0 * ordered[-1]


def aligned(traces: Traces, channel: Channel) -> FloatArray:
    """Values of another column of the recording (set point, duty) on the same samples as `traces.t`."""
    values = np.asarray(channel.values, dtype=np.float64)
    return values if traces.order is None else values[traces.order]


def sampling_of(recording: Recording) -> object | None:
    """What two recordings must have in common to be measured in one batch; None for one that is measured alone.

    Alone are recordings with missing samples, without a temperature channel, or with stamps out of order.
    """
    t = np.asarray(recording.elapsed_s, dtype=np.float64)
    if len(t) < LEAST_SAMPLES or not bool((t[1:] > t[:-1]).all()):
        return None
    columns = [channel.values for channel in recording.channels if channel.role == "temperature"]
    if not columns or not all(bool(np.isfinite(values).all()) for values in columns):
        return None
    return t.tobytes(), len(columns)


def traces_of_stack(stack: Stack) -> Traces:
    """The traces of stacked runs."""
    t, places = stack.elapsed_s, stack.of_role("temperature")
    runs, n = len(stack), len(t)
    # a copy only where other columns lie between
    v = (stack.values if len(places) == stack.values.shape[1] else stack.values[:, places]).astype(
        np.float64, copy=False
    )
    step = t[1:] - t[:-1]
    rows = runs * len(places)
    return Traces(
        runs,
        places * runs,
        [stack.columns[place].name for place in places] * runs,
        t,
        np.ascontiguousarray(v).reshape(rows, n),
        np.broadcast_to(np.True_, (rows, n)),
        np.array([not stack.columns[place].judged for place in places] * runs, dtype=bool),
        np.zeros(rows, dtype=np.int64),
        np.full(rows, n - 1, dtype=np.int64),
        np.full(rows, float(step.max())),
        float(median(step)),
        True,
        None,
    )


def traces_of(recording: Recording) -> Traces:
    """Take the temperature channels out of a recording.

    Stamps out of order are sorted and of equal stamps the first is kept: a recording from the reader has neither, but a
    slope over a zero or negative interval must not exist whatever made the recording. Channels without one sample are
    left out here; the caller reports them.
    """
    t = np.asarray(recording.elapsed_s, dtype=np.float64)
    order = None
    if len(t) > 1 and not bool((t[1:] > t[:-1]).all()):
        _, order = np.unique(t, return_index=True)
        t = t[order]
    numbers, names, columns, averages = [], [], [], []
    for number, channel in enumerate(recording.channels):
        if channel.role != "temperature":
            continue
        values = np.asarray(channel.values, dtype=np.float64)
        numbers.append(number)
        names.append(channel.name)
        columns.append(values if order is None else values[order])
        averages.append(not channel.judged)
    n, rows = len(t), len(columns)
    v = np.vstack(columns) if rows else np.empty((0, n))
    # an infinite value is no temperature: the reader's fault markers are NaN, other makers of recordings may differ
    present = np.isfinite(v)
    whole = bool(present.all())
    keep: BoolArray | None = None if whole else np.asarray(present.any(axis=1))
    if keep is not None and not keep.all():
        numbers = [x for x, k in zip(numbers, keep, strict=True) if k]
        names = [x for x, k in zip(names, keep, strict=True) if k]
        averages = [x for x, k in zip(averages, keep, strict=True) if k]
        v, present = v[keep], present[keep]
        rows = len(numbers)
        whole = bool(present.all())
    step = t[1:] - t[:-1]
    step_s = float(median(step)) if len(step) else 0.0
    if whole:
        first = np.zeros(rows, dtype=np.int64)
        last = np.full(rows, n - 1, dtype=np.int64)
        gap_s = np.full(rows, float(step.max()) if len(step) else 0.0)
    else:
        v = np.where(present, v, np.nan)
        first = present.argmax(axis=1)
        last = n - 1 - present[:, ::-1].argmax(axis=1)
        gap_s = np.zeros(rows)
        for row in range(rows):
            seen = np.flatnonzero(present[row])
            if len(seen) > 1:
                gap_s[row] = np.diff(t[seen]).max()
                if len(seen) < last[row] - first[row] + 1:
                    inside = slice(first[row], last[row] + 1)
                    v[row, inside] = np.interp(t[inside], t[seen], v[row, seen])
    return Traces(
        1, numbers, names, t, v, present, np.array(averages, dtype=bool), first, last, gap_s, step_s, whole, order
    )
