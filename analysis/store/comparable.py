"""The comparable runs before a run, and what was usual in them, for the channel checks that compare.

Comparable: same oven, same set-point table (its hash) and same board, started earlier. The last DEPTH of them count. A run
without an oven, a set point or a start time has none: its checks say so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from analysis.checks.history import METRICS_NEEDED, MINIMUM_RUNS, History, Typical
from analysis.results import Evaluation
from analysis.verdict import CREDIBILITY, doubted_channels

if TYPE_CHECKING:
    from ingest.archive.connection import Connection
    from ingest.recording import Recording

DEPTH = 20  # runs: a month of a busy small oven; the scatter of 20 is known to a sixth, and older habits do not linger

Key = tuple[int, str, int | None]
Values = dict[tuple[str, str], float]  # (metric, channel name) -> value

_BEFORE = """
SELECT q.run_id FROM run q JOIN run r ON r.run_id = ?
WHERE q.oven_id = r.oven_id AND q.setpoint_hash = r.setpoint_hash AND q.board_id IS NOT DISTINCT FROM r.board_id
  AND (q.started_at, q.run_id) < (r.started_at, r.run_id)
ORDER BY q.started_at DESC, q.run_id DESC LIMIT ?
"""
_VALUES = """
SELECT m.run_id, m.metric, c.name, m.value FROM metric m JOIN channel c USING (run_id, channel_no)
WHERE m.run_id BETWEEN ? AND ? AND m.run_id IN (SELECT unnest(?::INTEGER[])) AND m.status = 'ok'
  AND m.metric IN (SELECT unnest(?::VARCHAR[]))
  AND NOT EXISTS (SELECT 1 FROM finding_row f WHERE f.run_id = m.run_id AND f.channel_no = m.channel_no
                  AND f.state = 'fail' AND f.code IN (SELECT unnest(?::VARCHAR[])))
"""


class Memory:
    """The values of the last comparable runs of each group, oldest first."""

    def __init__(self) -> None:
        self._runs: dict[Key, deque[Values]] = {}

    def history(self, key: Key | None) -> History | None:
        return None if key is None else usual_of(self._runs.get(key, ()))

    def add(self, key: Key | None, values: Values) -> None:
        if key is not None:
            self._runs.setdefault(key, deque(maxlen=DEPTH)).append(values)


def usual_of(runs: deque[Values] | tuple[Values, ...] | list[Values]) -> History | None:
    """The usual of some runs, as analysis.checks.history.build_history gives it from a data frame; None below its minimum."""
    runs = [values for values in runs if values]
    if len(runs) < MINIMUM_RUNS:
        return None
    names = sorted({key for values in runs for key in values})
    table = np.array([[values.get(key, np.nan) for key in names] for values in runs])
    column = {key: i for i, key in enumerate(names)}
    pairs = [
        (first, second)
        for metric in ("start_temperature_c", "peak_c")
        for first, second in combinations([key for key in names if key[0] == metric], 2)
    ]
    if pairs:
        left, right = ([column[pair[side]] for pair in pairs] for side in (0, 1))
        table = np.hstack((table, table[:, left] - table[:, right]))
    usual = _typical(table)
    singles: dict[str, dict[str, Typical]] = {metric: {} for metric in METRICS_NEEDED}
    for (metric, name), value in zip(names, usual, strict=False):
        if value is not None:
            singles[metric][name] = value
    differences: dict[str, dict[tuple[str, str], Typical]] = {"start_temperature_c": {}, "peak_c": {}}
    for (first, second), value in zip(pairs, usual[len(names) :], strict=True):
        if value is not None:
            differences[first[0]][first[1], second[1]] = value
    return History(
        n=len(runs),
        start_c=singles["start_temperature_c"],
        start_minus_room_k=singles["cold_start_minus_room_c"],
        peak_c=singles["peak_c"],
        lag_s=singles["channel_lag_s"],
        start_difference_k=differences["start_temperature_c"],
        peak_difference_k=differences["peak_c"],
    )


def _typical(table: np.ndarray) -> list[Typical | None]:
    """Median and scaled median absolute deviation of every column's finite values; None below the minimum."""
    count = np.isfinite(table).sum(axis=0)
    centre = _median(table, count)
    scatter = 1.4826 * _median(np.abs(table - centre), count)
    return [
        Typical(m, s, n) if n >= MINIMUM_RUNS else None
        for m, s, n in zip(centre.tolist(), scatter.tolist(), count.tolist(), strict=True)
    ]


def _median(table: np.ndarray, count: np.ndarray) -> np.ndarray:
    """Median of each column's first `count` values in order, NaN sorted to the end; NaN for an empty column."""
    ordered = np.sort(table, axis=0)
    columns = np.arange(table.shape[1])
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(table) - 1)
    return (ordered[low, columns] + ordered[high, columns]) / 2.0


def values_of(recording: Recording, evaluation: Evaluation) -> Values:
    """What a run leaves for later ones: the metrics the checks compare, without channels that were not believable."""
    doubted = doubted_channels(evaluation.findings)
    return {
        (m.metric, recording.channels[m.channel].name): m.value
        for m in evaluation.metrics
        if m.metric in METRICS_NEEDED
        and m.channel is not None
        and m.channel not in doubted
        and m.status == "ok"
        and m.value is not None
    }


def history_before(con: Connection, run_id: int) -> History | None:
    """The usual of the stored comparable runs before a run, from their stored metrics."""
    ids = ids_before(con, run_id)
    if len(ids) < MINIMUM_RUNS:
        return None
    return usual_of(list(stored_values(con, ids).values()))


def ids_before(con: Connection, run_id: int) -> list[int]:
    """The last DEPTH comparable runs before a run, latest first."""
    return [row[0] for row in con.execute(_BEFORE, [run_id, DEPTH]).fetchall()]


def stored_values(con: Connection, ids: list[int]) -> dict[int, Values]:
    """What runs leave for later ones, from their stored metrics."""
    runs: dict[int, Values] = {number: {} for number in ids}
    if not ids:
        return runs
    rows = con.execute(_VALUES, [min(ids), max(ids), ids, list(METRICS_NEEDED), sorted(CREDIBILITY)]).fetchall()
    for number, metric, channel, value in rows:
        runs[number][metric, channel] = value
    return runs


def groups(con: Connection, run_ids: Sequence[int] | None = None) -> list[tuple[int, Key | None]]:
    """Runs (None: all) in the order of their starts (then numbers), with their group; runs without one come first."""
    where, params = ("", []) if run_ids is None else ("WHERE run_id IN (SELECT unnest(?::INTEGER[]))", [list(run_ids)])
    rows = con.execute(
        f"""SELECT run_id, oven_id, setpoint_hash, board_id, started_at IS NOT NULL FROM run {where}
            ORDER BY started_at NULLS FIRST, run_id""",
        params,
    ).fetchall()
    return [
        (run, (oven, text, board) if timed and oven is not None and text is not None else None)
        for run, oven, text, board, timed in rows
    ]
