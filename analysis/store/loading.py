"""Runs out of the archive as stacks, for evaluating many of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from analysis.metrics.stack import LEAST_SAMPLES, Stack, stacks_of
from ingest.recording import Recording

if TYPE_CHECKING:
    from ingest.archive.connection import Connection
    from ingest.archive.stacked import Stacked

Stacks = list[tuple[list[int], Stack]]


def load_stacks(con: Connection, run_ids: Sequence[int]) -> tuple[Stacks, list[tuple[int, Recording]]]:
    """The runs of these numbers: stacked, each stack with the places of its runs in `run_ids`; and those left alone.

    Raises ArchiveError for a run whose samples are not all there.
    """
    from ingest.archive.runs import load_recordings
    from ingest.archive.stacked import load_stacked

    place = {run: at for at, run in enumerate(run_ids)}
    stacked, _ = load_stacked(con, run_ids)
    stacks: Stacks = []
    left = dict.fromkeys(run_ids)
    for found in stacked:
        stack = Stack(found.elapsed_s, found.channels, found.values)
        fits = _fits(found, stack)
        if fits.any():
            chosen = np.flatnonzero(fits)
            some = stack if fits.all() else Stack(found.elapsed_s, found.channels, found.values[chosen])
            stacks.append(([place[found.run_ids[at]] for at in chosen.tolist()], some))
            for at in chosen.tolist():
                del left[found.run_ids[at]]
    recordings = [(place[run], recording) for run, recording in load_recordings(con, left)] if left else []
    more, alone = stacks_of([recording for _, recording in recordings])
    stacks += [([recordings[at][0] for at in own], stack) for own, stack in more]
    return stacks, [recordings[at] for at in alone]


def _fits(found: Stacked, stack: Stack) -> np.ndarray:
    """(runs,) which are what a Stack promises."""
    t, temperatures = found.elapsed_s, stack.of_role("temperature")
    if len(t) < LEAST_SAMPLES or not temperatures or not bool((t[1:] > t[:-1]).all()):
        return np.zeros(len(stack), dtype=bool)
    return np.asarray(np.isfinite(found.values[:, temperatures]).all(axis=(1, 2)))
