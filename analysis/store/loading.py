"""Runs out of the archive as stacks, for evaluating many of them at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.metrics.stack import Stack, stacks_of
from ingest.recording import Recording

if TYPE_CHECKING:
    from ingest.archive.connection import Connection


def load_stacks(
    con: Connection, run_ids: Sequence[int]
) -> tuple[list[tuple[list[int], Stack]], list[tuple[int, Recording]]]:
    """The runs of these numbers: stacked, each stack with the places of its runs in `run_ids`; and those left alone.

    Values are the archive's 32-bit floats. Raises ArchiveError for a run whose samples are not all there.
    """
    from ingest.archive.runs import load_recordings

    recordings = dict(load_recordings(con, run_ids))
    given = [recordings[run] for run in run_ids]
    stacks, alone = stacks_of(given)
    small = [(places, replace(stack, values=stack.values.astype(np.float32))) for places, stack in stacks]
    return small, [(place, given[place]) for place in alone]
