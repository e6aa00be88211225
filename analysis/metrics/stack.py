"""Runs of the same columns sampled at the same moments, as one array."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.metrics.traces import LEAST_SAMPLES, sampling_of
from ingest.recording import Channel, Recording, Role

__all__ = ["LEAST_SAMPLES", "Stack", "stacks_of"]


@dataclass(frozen=True)
class Stack:
    """`values` (runs, columns, samples), NaN where missing, of the columns described by `columns` (whose own values are
    not looked at), at the moments `elapsed_s` [s], strictly increasing. No temperature is missing anywhere."""

    elapsed_s: NDArray[np.float64]
    columns: tuple[Channel, ...]
    values: NDArray[np.floating]

    def __len__(self) -> int:
        return len(self.values)

    def part(self, runs: Sequence[int]) -> Stack:
        """Some of the runs, their values in 64 bits."""
        first, last = runs[0], runs[-1]
        chosen = self.values[first : last + 1] if last - first + 1 == len(runs) else self.values[list(runs)]
        return replace(self, values=chosen.astype(np.float64))

    def recording(self, run: int) -> Recording:
        """One run by itself, without what the log says about its start and lines."""
        values = self.values[run].astype(np.float64)
        return Recording(
            self.elapsed_s, tuple(replace(c, values=own) for c, own in zip(self.columns, values, strict=True))
        )

    def column(self, place: int) -> NDArray[np.float64]:
        """(runs, samples) of one column."""
        return self.values[:, place].astype(np.float64, copy=False)

    def of_role(self, role: Role) -> list[int]:
        """The places of the columns of a role."""
        return [place for place, column in enumerate(self.columns) if column.role == role]


def stacks_of(recordings: Sequence[Recording]) -> tuple[list[tuple[list[int], Stack]], list[int]]:
    """Recordings that can be stacked, each stack with the places of its runs; and the places of those left alone.

    Alone are recordings with a temperature missing, without a temperature channel, or with stamps out of order.
    """
    together: dict[object, list[int]] = {}
    alone: list[int] = []
    for place, recording in enumerate(recordings):
        sampling = sampling_of(recording)
        if sampling is None:
            alone.append(place)
        else:
            columns = tuple((c.name, c.role, c.judged, c.labels, c.faults) for c in recording.channels)
            together.setdefault((sampling, columns), []).append(place)
    return [
        (
            places,
            Stack(
                np.asarray(recordings[places[0]].elapsed_s, dtype=np.float64),
                recordings[places[0]].channels,
                np.array([[channel.values for channel in recordings[place].channels] for place in places]),
            ),
        )
        for places in together.values()
    ], alone
