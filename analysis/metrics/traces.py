"""The temperature channels of a recording as one array, with what the formulas need to know about gaps and steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ingest.recording import Channel, Recording

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass
class Traces:
    """Rows are temperature channels, columns are samples.

    `t` [s] (n,) strictly increasing. `v` [°C] (rows, n): values with inner gaps filled along the straight line between
    their neighbours, so that crossings come out as by linear interpolation between the samples present; NaN before the
    first and after the last sample of a row. `present` (rows, n): True where a sample was logged. `gap_s` (rows,):
    longest stretch without a sample inside the row [s]. `step_s`: median interval [s]. `averages` (rows,): True for a
    column that is an average of others.
    """

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

    def aligned(self, channel: Channel) -> FloatArray:
        """Values of another column of the recording (set point, duty) on the same samples as `t`."""
        values = np.asarray(channel.values, dtype=np.float64)
        return values if self.order is None else values[self.order]


def median(values: FloatArray, axis: int = 0) -> FloatArray:
    """Median along the first or the last of two axes, NaN where any value is NaN.

    numpy's own costs ten times as much on arrays of this size, and a run takes a dozen.
    """
    ordered = np.sort(values, axis=axis)  # NaN sorts to the end
    if axis == 1:
        ordered = ordered.T
    count = len(ordered)
    middle = (ordered[(count - 1) // 2] + ordered[count // 2]) / 2.0
    return middle + 0.0 * ordered[-1]


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
        numbers, names, t, v, present, np.array(averages, dtype=bool), first, last, gap_s, step_s, whole, order
    )
