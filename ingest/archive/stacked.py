"""Runs out of the archive in bulk as arrays: runs of the same columns that were sampled at the same moments, together.

Reads columns, not rows: nothing is done in Python for a sample, and little for a run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from ingest.archive.connection import Connection
from ingest.archive.packing import values_of
from ingest.archive.runs import channel_of
from ingest.recording import Channel

if TYPE_CHECKING:
    import pyarrow as pa


_RUNS_AT_ONCE = 64  # that are decoded in one go: half a megabyte stays in the cache
_TOLD = ("name", "role", "unit_original", "judged", "labels", "faults", "confidence", "reasons")  # of a channel
Stretches = tuple[tuple[int, int, int], ...]


@dataclass(frozen=True)
class Stacked:
    """`values` (runs, channels, n), the archive's 32-bit floats, NaN = missing, of the runs `run_ids`, at the moments
    `elapsed_s` [s]; `channels` tells about each, its own values are empty."""

    run_ids: list[int]
    elapsed_s: np.ndarray
    channels: tuple[Channel, ...]
    values: np.ndarray


def load_stacked(con: Connection, run_ids: Sequence[int]) -> tuple[list[Stacked], list[int]]:
    """The runs of these numbers, stacked; and the numbers of those that are stored in another way than most and must be
    loaded one by one (uneven steps, values of mixed kinds, samples lost). Numbers that do not exist are left out."""
    ids = sorted({int(run) for run in run_ids})
    if not ids:
        return [], []
    chosen, params = "run_id BETWEEN ? AND ? AND run_id IN (SELECT unnest(?::INTEGER[]))", [ids[0], ids[-1], ids]
    if len(ids) == ids[-1] - ids[0] + 1:
        chosen, params = "run_id BETWEEN ? AND ?", [ids[0], ids[-1]]
    channels = _Channels(con, chosen, params)
    times = _times(con, chosen, params)
    found = _Values(con, chosen, params)
    together: dict[tuple[Stretches, bytes], list[int]] = {}
    rest: list[int] = []
    for run, key in channels.key_of.items():
        when = times.get(run)
        if when is None or found.size.get(run) != channels.count[key] * sum(samples for _, _, samples in when):
            rest.append(run)
        else:
            together.setdefault((when, key), []).append(run)
    stacks = []
    for (when, key), runs in together.items():
        elapsed_s = np.concatenate([first + step * np.arange(samples) for first, step, samples in when]) / 1000.0
        values = np.empty((len(runs), channels.count[key], len(elapsed_s)), dtype=np.float32)
        found.into(values, runs)
        stacks.append(Stacked(runs, elapsed_s, channels.described(key), values))
    return stacks, rest


def _bounds(run: np.ndarray) -> np.ndarray:
    """Where each run begins in a column of run numbers in order, and where the last ends."""
    return np.append(np.flatnonzero(np.diff(run, prepend=run[:1] - 1)), len(run))


class _Channels:
    """What is told about the channels of runs: `key_of` a run, the same for runs of the same channels, `count` of a key."""

    def __init__(self, con: Connection, chosen: str, params: list[Any]) -> None:
        table = con.sql(
            f"SELECT run_id, {', '.join(_TOLD)} FROM channel WHERE {chosen} ORDER BY run_id, channel_no", params=params
        ).to_arrow_table()
        texts = [table.column(name).combine_chunks().dictionary_encode() for name in _TOLD]
        self._words = [column.dictionary.to_pylist() for column in texts]
        codes = np.column_stack([column.indices.to_numpy() for column in texts]).astype(np.int32)
        run = table.column("run_id").to_numpy()
        self.key_of: dict[int, bytes] = {}
        self.count: dict[bytes, int] = {}
        for first, last in pairwise(_bounds(run).tolist()):
            key = codes[first:last].tobytes()
            self.key_of[int(run[first])] = key
            self.count[key] = last - first

    def described(self, key: bytes) -> tuple[Channel, ...]:
        rows = np.frombuffer(key, dtype=np.int32).reshape(-1, len(_TOLD)).tolist()
        return tuple(
            channel_of(tuple(words[code] for words, code in zip(self._words, row, strict=True)), np.empty(0))
            for row in rows
        )


def _times(con: Connection, chosen: str, params: list[Any]) -> dict[int, Stretches | None]:
    """(first [ms], step [ms], samples) of each stretch of the runs; None where a step varies or a stretch is lost."""
    times: dict[int, Stretches | None] = {}
    for run, stretch, samples, first_ms, step_ms in con.execute(
        f"SELECT run_id, stretch, samples, first_ms, step_ms FROM sample_times WHERE {chosen} ORDER BY run_id, stretch",
        params,
    ).fetchall():
        known = times.get(run, ())
        if known is None or stretch != len(known) or step_ms is None:
            times[run] = None
        else:
            times[run] = (*known, (first_ms, step_ms, samples))
    return times


class _Values:
    """The lists of values of runs, decoded on demand. `size`: how many values a run has, all channels together; runs whose
    lists are not all there, or not of one kind, or of whose channels one has several units, have none."""

    def __init__(self, con: Connection, chosen: str, params: list[Any]) -> None:
        table = _lists(con, chosen, params, "")
        run, channel, stretch = (table.column(name).to_numpy() for name in ("run_id", "channel_no", "stretch"))
        # stored in this order, but a table promises none
        key = (run.astype(np.int64) << 32) + (channel.astype(np.int64) << 16) + stretch
        if not bool((key[1:] > key[:-1]).all()):
            table = _lists(con, chosen, params, "ORDER BY run_id, channel_no, stretch")
            run, channel, stretch = (table.column(name).to_numpy() for name in ("run_id", "channel_no", "stretch"))
        self._per_unit = table.column("per_unit").to_numpy()
        self._numbers, self._number_ends = _flat(table.column("number"))
        self._plain, self._plain_ends = _flat(table.column("value"))
        self.size: dict[int, int] = {}
        self._rows: dict[int, tuple[int, int, int]] = {}  # run -> its first row, the one after its last, its channels
        if len(run) == 0:
            return
        bounds = _bounds(run)
        first, last = bounds[:-1], bounds[1:]
        count = channel[last - 1].astype(np.int64) + 1
        stretches = (last - first) // count
        # in this order they are all there when the last is the last and none comes twice
        whole = (stretches * count == last - first) & (stretch[last - 1] == stretches - 1)
        plain = np.isnan(self._per_unit)
        other = np.zeros(len(run), dtype=bool)
        other[1:] = (channel[1:] == channel[:-1]) & (run[1:] == run[:-1]) & (self._per_unit[1:] != self._per_unit[:-1])
        is_plain = np.logical_and.reduceat(plain, first)
        one_kind = is_plain | ~np.logical_or.reduceat(plain | other, first)
        size = np.where(
            is_plain,
            self._plain_ends[last] - self._plain_ends[first],
            self._number_ends[last] - self._number_ends[first],
        )
        for i in np.flatnonzero(whole & one_kind).tolist():
            self.size[int(run[first[i]])] = int(size[i])
            self._rows[int(run[first[i]])] = int(first[i]), int(last[i]), int(count[i])

    def into(self, values: np.ndarray, runs: Sequence[int]) -> None:
        """Writes the values of `runs` into `values` (runs, channels, n)."""
        rows = [self._rows[run] for run in runs]
        begin, end = rows[0][0], rows[-1][1]
        units = self._per_unit[begin:end]
        side_by_side = all(before[1] == after[0] for before, after in pairwise(rows))
        if side_by_side and len(units) == len(runs) * values.shape[1] and not np.isnan(units).any():
            numbers = self._numbers[self._number_ends[begin] : self._number_ends[end]].reshape(values.shape)
            units = units.reshape(*values.shape[:2], 1)
            for at in range(0, len(runs), _RUNS_AT_ONCE):
                some = slice(at, at + _RUNS_AT_ONCE)
                values[some] = values_of(numbers[some], units[some])
            return
        for at, (first, last, count) in enumerate(rows):
            if np.isnan(self._per_unit[first]):
                values[at] = self._plain[self._plain_ends[first] : self._plain_ends[last]].reshape(count, -1)
            else:
                numbers = self._numbers[self._number_ends[first] : self._number_ends[last]].reshape(count, -1)
                values[at] = values_of(numbers, self._per_unit[first : last : (last - first) // count, None])


def _lists(con: Connection, chosen: str, params: list[Any], order: str) -> pa.Table:
    return con.sql(
        f"SELECT run_id, channel_no, stretch, per_unit, number, value FROM sample_values WHERE {chosen} {order}",
        params=params,
    ).to_arrow_table()


def _flat(column: pa.ChunkedArray) -> tuple[np.ndarray, np.ndarray]:
    """The items of a column of lists one after the other (NaN: missing), and where each list begins and the last ends."""
    lists = column.combine_chunks()
    offsets = lists.offsets.to_numpy()
    items = lists.flatten().to_numpy(zero_copy_only=False)
    return items, offsets - offsets[0]
