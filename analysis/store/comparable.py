"""The comparable runs before a run, and what was usual in them, for the channel checks that compare.

Comparable: same oven, same set-point table (its hash) and same board, started earlier. The last DEPTH of them count. A run
without an oven, a set point or a start time has none: its checks say so.
"""

from __future__ import annotations

from collections import deque
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
    names = list(dict.fromkeys(key for values in runs for key in values))
    table = np.array([[values.get(key, np.nan) for key in names] for values in runs])
    column = {key: table[:, i] for i, key in enumerate(names)}
    found: dict[str, dict] = {metric: {} for metric in METRICS_NEEDED}
    pairs: dict[str, dict] = {"start_temperature_c": {}, "peak_c": {}}
    for (metric, name), values in column.items():
        found[metric][name] = values
    for metric, differences in pairs.items():
        for first, second in combinations(sorted(found[metric]), 2):
            differences[first, second] = found[metric][first] - found[metric][second]
    return History(
        n=len(runs),
        start_c=_typical(found["start_temperature_c"]),
        start_minus_room_k=_typical(found["cold_start_minus_room_c"]),
        peak_c=_typical(found["peak_c"]),
        lag_s=_typical(found["channel_lag_s"]),
        start_difference_k=_typical(pairs["start_temperature_c"]),
        peak_difference_k=_typical(pairs["peak_c"]),
    )


def _typical(columns: dict) -> dict:
    """Median and scaled median absolute deviation of every column with enough values, all columns at once."""
    if not columns:
        return {}
    table = np.stack(list(columns.values()), axis=1)
    count = np.isfinite(table).sum(axis=0)
    enough = count >= MINIMUM_RUNS
    if not enough.any():
        return {}
    centre = np.nanmedian(table[:, enough], axis=0)
    scatter = 1.4826 * np.nanmedian(np.abs(table[:, enough] - centre), axis=0)
    names = [name for name, k in zip(columns, enough, strict=True) if k]
    made = (Typical(float(m), float(s), int(n)) for m, s, n in zip(centre, scatter, count[enough], strict=True))
    return dict(zip(names, made, strict=True))


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
    ids = [row[0] for row in con.execute(_BEFORE, [run_id, DEPTH]).fetchall()]
    if len(ids) < MINIMUM_RUNS:
        return None
    runs: dict[int, Values] = {number: {} for number in ids}
    rows = con.execute(_VALUES, [min(ids), max(ids), ids, list(METRICS_NEEDED), sorted(CREDIBILITY)]).fetchall()
    for number, metric, channel, value in rows:
        runs[number][metric, channel] = value
    return usual_of(list(runs.values()))


def groups(con: Connection) -> list[tuple[int, Key | None]]:
    """Every run in the order of its start (then its number), with its group; runs without one come first."""
    rows = con.execute(
        """SELECT run_id, oven_id, setpoint_hash, board_id, started_at IS NOT NULL FROM run
           ORDER BY started_at NULLS FIRST, run_id"""
    ).fetchall()
    return [
        (run, (oven, text, board) if timed and oven is not None and text is not None else None)
        for run, oven, text, board, timed in rows
    ]
