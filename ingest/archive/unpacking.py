"""Samples out of the archive in bulk: no work in Python for a sample, and little for a run."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np

from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.archive.packing import values_of

Samples = tuple[np.ndarray, np.ndarray]  # elapsed [s] (n,), values (channels, n), NaN = missing


def load_samples(con: Connection, chosen: str, params: list[Any]) -> dict[int, Samples | None]:
    """The samples of the runs that the condition `chosen` picks; None for a run of which some are lost.

    Times and values are read-only: runs sampled at the same moments share one array of times, and the values of all runs
    lie side by side in one array.
    """
    times = _times(con, chosen, params)
    rows = _ValueRows(con, chosen, params)
    found: dict[int, Samples | None] = dict.fromkeys(times)
    for run_id, channels, values in rows.runs():
        elapsed_s = times.get(run_id)
        whole = elapsed_s is not None and len(values) == channels * len(elapsed_s)
        found[run_id] = (elapsed_s, values.reshape(channels, -1)) if elapsed_s is not None and whole else None
    return found


def lost(run_id: int) -> ArchiveError:
    return ArchiveError(f"samples of run {run_id} are lost: run `ovenbook verify`, then `ovenbook rebuild`")


def _times(con: Connection, chosen: str, params: list[Any]) -> dict[int, np.ndarray | None]:
    parts: dict[int, list[np.ndarray | None]] = {}
    even: dict[tuple[int, int, int], np.ndarray] = {}
    for run_id, stretch, samples, first_ms, step_ms, elapsed_ms in con.execute(
        f"""SELECT run_id, stretch, samples, first_ms, step_ms, elapsed_ms FROM sample_times WHERE {chosen}
            ORDER BY run_id, stretch""",
        params,
    ).fetchall():
        known = parts.setdefault(run_id, [])
        if stretch != len(known) or (step_ms is None and len(elapsed_ms) != samples):
            known.append(None)
        elif step_ms is None:
            known.append(_seconds(np.array(elapsed_ms)))
        else:
            shape = (first_ms, step_ms, samples)
            if shape not in even:
                even[shape] = _seconds(first_ms + step_ms * np.arange(samples))
            known.append(even[shape])
    whole: dict[int, np.ndarray | None] = {}
    for run_id, known in parts.items():
        there = [part for part in known if part is not None]
        whole[run_id] = None if len(there) < len(known) else there[0] if len(there) == 1 else _joined(there)
    return whole


def _seconds(ms: np.ndarray) -> np.ndarray:
    seconds = ms / 1000.0
    seconds.flags.writeable = False
    return seconds


def _joined(parts: list[np.ndarray]) -> np.ndarray:
    joined = np.concatenate(parts)
    joined.flags.writeable = False
    return joined


class _ValueRows:
    """Rows of sample_values in the order of run, channel and stretch, decoded."""

    def __init__(self, con: Connection, chosen: str, params: list[Any]) -> None:
        columns = con.execute(
            f"""SELECT run_id, channel_no, stretch, coalesce(per_unit, 'NaN'::DOUBLE) AS per_unit, number, value
                FROM sample_values WHERE {chosen}""",
            params,
        ).fetchnumpy()
        run, channel, stretch = (np.asarray(columns[name]) for name in ("run_id", "channel_no", "stretch"))
        per_unit, numbers, values = (np.asarray(columns[name]) for name in ("per_unit", "number", "value"))
        # Stored in this order, but a table promises none: sort when it is not so.
        step_run, step_channel = np.diff(run), np.diff(channel)
        same_run = step_run == 0
        if not np.all(
            (step_run > 0) | (same_run & ((step_channel > 0) | ((step_channel == 0) & (np.diff(stretch) > 0))))
        ):
            order = np.lexsort((stretch, channel, run))
            run, channel, stretch, per_unit = run[order], channel[order], stretch[order], per_unit[order]
            numbers, values = numbers[order], values[order]
        self._run, self._channel, self._stretch = run, channel, stretch
        lists = [number if len(number) else value for number, value in zip(numbers, values, strict=True)]
        self._ends = np.cumsum([len(one) for one in lists])
        self._flat = _decoded(lists, per_unit)

    def runs(self) -> Iterator[tuple[int, int, np.ndarray]]:
        """(run, channels, the values of all channels one after the other); 0 channels where rows are missing."""
        if len(self._run) == 0:
            return
        begins = np.concatenate([[True], np.diff(self._run) != 0])
        firsts = np.flatnonzero(begins)
        rows = np.diff(firsts, append=len(self._run))
        lengths = np.diff(self._ends, prepend=0)
        # One row a channel, all of one length, is how nearly every run is stored: seen for all runs at once.
        of_run = np.cumsum(begins) - 1
        plain = (
            (self._stretch == 0)
            & (self._channel == np.arange(len(self._run)) - firsts[of_run])
            & (lengths == lengths[firsts][of_run])
        )
        simple = np.logical_and.reduceat(plain, firsts)
        counts = [
            count if easy else self._channels_of(first, first + count, lengths)
            for first, count, easy in zip(firsts.tolist(), rows.tolist(), simple.tolist(), strict=True)
        ]
        cuts = np.append(self._ends[firsts] - lengths[firsts], self._ends[-1]).tolist()
        for run_id, count, (a, b) in zip(self._run[firsts].tolist(), counts, pairwise(cuts), strict=True):
            yield run_id, count, self._flat[a:b]

    def _channels_of(self, first: int, last: int, lengths: np.ndarray) -> int:
        """How many channels a run in several stretches has; 0 when rows are missing."""
        channel, stretch = self._channel[first:last], self._stretch[first:last]
        count = int(channel[-1]) + 1
        stretches = (last - first) // count
        in_full = (
            stretches * count == last - first
            and np.array_equal(channel, np.repeat(np.arange(count), stretches))
            and np.array_equal(stretch, np.tile(np.arange(stretches), count))
            and len(set(np.add.reduceat(lengths[first:last], np.arange(0, last - first, stretches)).tolist())) == 1
        )
        return count if in_full else 0


def _decoded(lists: list[np.ndarray], per_unit: np.ndarray) -> np.ndarray:
    """The values of all lists one after the other, 64-bit; read-only. NaN where the archive has none."""
    lengths = np.array([len(one) for one in lists], dtype=np.int64)
    flat = np.empty(int(lengths.sum()))
    masked = [place for place, one in enumerate(lists) if isinstance(one, np.ma.MaskedArray)]
    befores = np.cumsum(lengths) - lengths
    missing = [(int(befores[place]), np.ma.getmaskarray(lists[place])) for place in masked]
    for place in masked:
        lists[place] = np.ma.getdata(lists[place])
    # Rows of one length and one kind are decoded at once; usually that is all of them.
    kind = np.column_stack([lengths, np.isnan(per_unit)])
    cuts = [0, *(np.flatnonzero(np.any(np.diff(kind, axis=0) != 0, axis=1)) + 1).tolist(), len(lists)]
    at = 0
    for first, last in pairwise(cuts):
        if first == last:
            continue
        some = np.concatenate(lists[first:last])
        if not np.isnan(per_unit[first]):
            some = values_of(some.reshape(last - first, -1), per_unit[first:last, np.newaxis]).reshape(-1)
        flat[at : at + len(some)] = some
        at += len(some)
    for at, mask in missing:
        flat[at : at + len(mask)][mask] = np.nan
    flat.flags.writeable = False
    return flat
