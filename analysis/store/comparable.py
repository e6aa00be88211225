"""The comparable runs before a run, and what was usual in them, for the channel checks that compare.

Comparable: same oven, same set-point table (its hash) and same board, started earlier. The last DEPTH of them count. A run
without an oven, a set point or a start time has none: its checks say so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from analysis.checks.history import METRICS_NEEDED, MINIMUM_RUNS, History
from analysis.results import Evaluation
from analysis.usual import Left, Values, left_of, usual_of
from analysis.verdict import CREDIBILITY, doubted_channels

if TYPE_CHECKING:
    from ingest.archive.connection import Connection
    from ingest.recording import Recording

DEPTH = 20  # runs: a month of a busy small oven; the scatter of 20 is known to a sixth, and older habits do not linger

Key = tuple[int, str, int | None]

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


@dataclass(frozen=True)
class Order:
    """`runs` in the order of their starts (then numbers), those without a group first; `keys`: the group of each.
    `before` (runs, DEPTH): the numbers of its comparable runs before it, oldest first, 0 where there are fewer."""

    runs: list[int]
    keys: list[Key | None]
    before: NDArray[np.int32]


def order_of(con: Connection, run_ids: Sequence[int] | None = None) -> Order:
    """Runs (None: all) in their order, and what each is compared with."""
    if run_ids is None:
        every = groups(con)
        wanted = every
    else:
        wanted = groups(con, run_ids)
        keys = {key for _, key in wanted if key is not None}
        every = _members(con, keys) if len(wanted) > 1 or keys else []
    numbers: dict[Key, list[int]] = {}
    place: dict[int, int] = {}
    for run, key in every:
        if key is not None:
            own = numbers.setdefault(key, [])
            place[run] = len(own)
            own.append(run)
    before = np.zeros((len(wanted), DEPTH), dtype=np.int32)
    for at, (run, key) in enumerate(wanted):
        if key is not None and place[run] > 0:
            earlier = numbers[key][max(place[run] - DEPTH, 0) : place[run]]
            before[at, DEPTH - len(earlier) :] = earlier
    return Order([run for run, _ in wanted], [key for _, key in wanted], before)


def _members(con: Connection, keys: set[Key]) -> list[tuple[int, Key | None]]:
    """All runs of these groups, in the order of their starts."""
    ovens, hashes, boards = zip(*keys, strict=True) if keys else ((), (), ())
    rows = con.execute(
        """SELECT r.run_id, r.oven_id, r.setpoint_hash, r.board_id FROM run r
           SEMI JOIN (SELECT unnest(?::INTEGER[]) AS oven, unnest(?::VARCHAR[]) AS hash, unnest(?::INTEGER[]) AS board) k
           ON r.oven_id = k.oven AND r.setpoint_hash = k.hash AND r.board_id IS NOT DISTINCT FROM k.board
           WHERE r.started_at IS NOT NULL ORDER BY r.started_at, r.run_id""",
        [list(ovens), list(hashes), list(boards)],
    ).fetchall()
    return [(run, (oven, text, board)) for run, oven, text, board in rows]


def stored_left(con: Connection, ids: Sequence[int]) -> dict[int, Left]:
    """What runs leave for later ones, from their stored metrics."""
    return {run: left_of(values) for run, values in stored_values(con, list(ids)).items()}
