"""Fewer points, the same picture: a long curve keeps the lowest and the highest value of every pixel column."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from ingest.recording import FloatArray


def thin_keeping_extremes(elapsed_s: FloatArray, values: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """A curve of at most about five points a column in which no extreme is lost.

    `elapsed_s` [s] increasing; `values` any unit, NaN is a gap. The time span is cut into `columns` equal columns; each
    keeps its first, lowest, highest and last value in time order, and one NaN if it holds a gap, so that the drawn line
    still breaks there. Curves that are short already come back unchanged.
    """
    elapsed_s = np.asarray(elapsed_s, dtype=np.float64)
    values = np.asarray(values, dtype=np.float64)
    n = len(elapsed_s)
    if columns < 1 or n <= 5 * columns:
        return elapsed_s, values
    span = elapsed_s[-1] - elapsed_s[0]
    column = np.minimum(((elapsed_s - elapsed_s[0]) / span * columns).astype(int), columns - 1)
    edges = np.flatnonzero(np.diff(column, prepend=-1, append=columns))
    keep: set[int] = set()
    for start, stop in itertools.pairwise(edges):
        part = values[start:stop]
        missing = np.isnan(part)
        if missing.any():
            keep.add(int(start + np.argmax(missing)))
        if not missing.all():
            present = np.flatnonzero(~missing)
            keep.update((int(start + present[0]), int(start + present[-1])))
            keep.add(int(start + np.nanargmin(part)))
            keep.add(int(start + np.nanargmax(part)))
    kept = np.array(sorted(keep))
    return elapsed_s[kept], values[kept]


def spread_apart(positions: Sequence[float], heights: Sequence[float]) -> list[float]:
    """Centres of labels moved as little as needed so that none covers another (positions and heights in one unit).

    Labels that would touch form a group, stacked without gaps and centred where its members wanted to be on average.
    """
    groups: list[list[int]] = []
    centres: list[float] = []
    for i in sorted(range(len(positions)), key=lambda k: positions[k]):
        members, centre = [i], positions[i]
        while groups:
            reach = centres[-1] + sum(heights[m] for m in groups[-1]) / 2
            if centre - sum(heights[m] for m in members) / 2 >= reach:
                break
            members = groups.pop() + members
            centres.pop()
            centre = sum(positions[m] for m in members) / len(members)
        groups.append(members)
        centres.append(centre)
    placed = list(positions)
    for members, centre in zip(groups, centres, strict=True):
        bottom = centre - sum(heights[m] for m in members) / 2
        for member in members:
            placed[member] = bottom + heights[member] / 2
            bottom += heights[member]
    return placed
