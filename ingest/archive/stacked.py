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


Stretches = tuple[tuple[int, int, int], ...]
Rows = tuple[tuple[Any, ...], ...]  # of the table of channels, those of one run


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
    channels = _channels(con, chosen, params)
    times = _times(con, chosen, params)
    found = _values(con, chosen, params)
    together: dict[tuple[Stretches, Rows], list[int]] = {}
    rest: list[int] = []
    for run, rows in channels.items():
        when, values = times.get(run), found.get(run)
        if when is None or values is None or len(values[0]) != len(rows) * sum(samples for _, _, samples in when):
            rest.append(run)
        else:
            together.setdefault((when, rows), []).append(run)
    stacks = []
    for (when, rows), runs in together.items():
        elapsed_s = np.concatenate([first + step * np.arange(samples) for first, step, samples in when]) / 1000.0
        values = np.empty((len(runs), len(rows), len(elapsed_s)), dtype=np.float32)
        for at, run in enumerate(runs):
            items, per_unit = found[run]
            own = items.reshape(len(rows), -1)
            values[at] = own if per_unit is None else values_of(own, per_unit.reshape(len(rows), -1)[:, :1])
        stacks.append(Stacked(runs, elapsed_s, tuple(channel_of(row, np.empty(0)) for row in rows), values))
    return stacks, rest


def _channels(con: Connection, chosen: str, params: list[Any]) -> dict[int, Rows]:
    rows: dict[int, Rows] = {}
    for row in con.execute(
        f"""SELECT run_id, name, role, unit_original, judged, labels, faults, confidence, reasons FROM channel
            WHERE {chosen} ORDER BY run_id, channel_no""",
        params,
    ).fetchall():
        rows[row[0]] = (*rows.get(row[0], ()), row[1:])
    return rows


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


def _values(con: Connection, chosen: str, params: list[Any]) -> dict[int, tuple[np.ndarray, np.ndarray | None]]:
    """The items of each run's lists, channel after channel, and how many of them make a unit, list by list (None: they are
    the values). Runs whose lists are not all there, or not of one kind, or whose channels have several units, are left out.
    """
    table = _lists(con, chosen, params, "")
    run, channel, stretch = (table.column(name).to_numpy() for name in ("run_id", "channel_no", "stretch"))
    if len(run) == 0:
        return {}
    # stored in this order, but a table promises none
    key = (run.astype(np.int64) << 32) + (channel.astype(np.int64) << 16) + stretch
    if not bool((key[1:] > key[:-1]).all()):
        table = _lists(con, chosen, params, "ORDER BY run_id, channel_no, stretch")
        run, channel, stretch = (table.column(name).to_numpy() for name in ("run_id", "channel_no", "stretch"))
    per_unit = table.column("per_unit").to_numpy()
    numbers, number_ends = _flat(table.column("number"))
    plain, plain_ends = _flat(table.column("value"))
    firsts = np.flatnonzero(np.diff(run, prepend=run[0] - 1))
    found: dict[int, tuple[np.ndarray, np.ndarray | None]] = {}
    for first, last in pairwise([*firsts.tolist(), len(run)]):
        count = int(channel[last - 1]) + 1
        stretches = (last - first) // count
        units = per_unit[first:last]
        # in this order they are all there when the last is the last and none comes twice
        if stretches * count != last - first or int(stretch[last - 1]) != stretches - 1:
            continue
        if np.isnan(units).all():
            found[int(run[first])] = plain[plain_ends[first] : plain_ends[last]], None
        elif bool((units.reshape(count, -1) == units[::stretches, None]).all()):
            found[int(run[first])] = numbers[number_ends[first] : number_ends[last]], units
    return found


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
