"""The samples of an archive of schema 4 or before, a row each, packed into lists: the longer half of migration 5."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from ingest.archive.connection import Connection
from ingest.archive.packing import insert_samples

_RUNS_AT_ONCE = 200  # some 30 MB at 600 rows x 5 channels


def repack_samples(con: Connection) -> None:
    """Moves everything from samples_before into sample_times and sample_values, and drops it. Call it in a transaction.

    A run whose channels have different times, as damage can leave it, keeps each channel's values at the times it shares
    with the first channel: `verify` finds the rest missing, and `rebuild` reads the log again.
    """
    runs = [row[0] for row in con.execute("SELECT DISTINCT run_id FROM samples_before ORDER BY run_id").fetchall()]
    for start in range(0, len(runs), _RUNS_AT_ONCE):
        portion = runs[start : start + _RUNS_AT_ONCE]
        columns = con.execute(
            """SELECT run_id, channel_no, elapsed_ms, value FROM samples_before WHERE run_id BETWEEN ? AND ?
               ORDER BY run_id, channel_no, elapsed_ms""",
            [portion[0], portion[-1]],
        ).fetchnumpy()
        run, channel, ms = (np.asarray(columns[name]) for name in ("run_id", "channel_no", "elapsed_ms"))
        value = np.ma.filled(columns["value"], np.nan).astype(np.float32)
        bounds = np.searchsorted(run, np.append(portion, portion[-1] + 1).astype(run.dtype))
        insert_samples(
            con,
            [
                (run_id, *_of_one_run(channel[a:b], ms[a:b], value[a:b]))
                for run_id, (a, b) in zip(portion, pairwise(bounds), strict=True)
            ],
        )
    con.execute("DROP TABLE samples_before")


def _of_one_run(channel: np.ndarray, ms: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    count = int(channel[-1]) + 1
    times = ms[channel == channel[0]]
    if len(ms) == count * len(times) and np.array_equal(ms, np.tile(times, count)):
        return times, value.reshape(count, -1)
    values = np.full((count, len(times)), np.nan, dtype=np.float32)
    for number in range(count):
        own = channel == number
        _, here, there = np.intersect1d(times, ms[own], return_indices=True)
        values[number, here] = value[own][there]
    return times, values
