"""Rows of several new logs of one transaction, gathered and written together: a statement costs a millisecond, a row far less.

What is gathered is in the archive only after `write`. Whoever must ask for logs and runs of the same transaction before
its end has them written by `write_runs` first.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from ingest.archive.bulk import insert_rows
from ingest.archive.connection import Connection
from ingest.archive.packing import Sampled, insert_samples
from ingest.recording import Channel, Recording

# A channel's values are stored in one unit per role, whatever the log used.
_STORED_UNIT = {"temperature": "°C", "setpoint": "°C", "reference_junction": "°C", "duty": "1", "state": "code"}

Numbers = dict[str, list[int]]  # sequence -> numbers taken and not used yet, ascending


class Gathered:
    """`numbers`: run and log numbers taken in advance; without, they are taken one by one."""

    def __init__(self, con: Connection, numbers: Numbers | None = None) -> None:
        self._con = con
        self._numbers: Numbers = {} if numbers is None else numbers
        self.last_log: int | None = None
        self._logs: list[Mapping[str, Any]] = []
        self._runs: list[Mapping[str, Any]] = []
        self._all_runs: list[tuple[Mapping[str, Any], int | None]] = []
        self._layout: int | None = None
        self.placements: dict[int, Mapping[str, Mapping[str, str | None]]] = {}
        self._bytes: list[tuple[int, int, bytes]] = []
        self._origins: list[tuple[Any, ...]] = []
        self._channels: list[tuple[Any, ...]] = []
        self._samples: list[Sampled] = []

    def take_numbers(self, sequence: str, count: int) -> None:
        """Sees to it that so many numbers of `run_seq` or `log_seq` are there."""
        have = self._numbers.setdefault(sequence, [])
        if len(have) < count:
            rows = self._con.execute(f"SELECT nextval('{sequence}') FROM range(?)", [count - len(have)]).fetchall()
            have += sorted(int(row[0]) for row in rows)

    def number(self, sequence: str) -> int:
        """A fresh number; one that is not used in the end is never given again."""
        self.take_numbers(sequence, 1)
        return self._numbers[sequence].pop(0)

    def add_log(self, row: Mapping[str, Any]) -> None:
        """A row of `log` by its columns' names; the same columns each time."""
        self._logs.append(row)
        self.last_log = row["log_id"]
        self._layout = row["layout_id"]

    def add_run(self, row: Mapping[str, Any]) -> None:
        """A row of `run` by its columns' names; the same columns each time."""
        self._runs.append(row)
        self._all_runs.append((row, self._layout))

    def runs_from(self, place: int) -> Sequence[tuple[Mapping[str, Any], int | None]]:
        """(row, layout of its log) of every run added, written or not, from the `place`-th on."""
        return self._all_runs[place:]

    def add_bytes(self, log_id: int, pieces: Sequence[bytes]) -> None:
        self._bytes += [(log_id, place, piece) for place, piece in enumerate(pieces)]

    def add_origins(self, rows: Sequence[tuple[Any, ...]]) -> None:
        self._origins += rows

    def add_channels(
        self,
        run_id: int,
        recording: Recording,
        ms: np.ndarray,
        values: np.ndarray,
        placements: Mapping[str, Mapping[str, str | None]],
    ) -> None:
        """Channel rows and samples of one run: `ms` (n,), `values` (channels, n) as stored."""
        n = len(ms)
        present = np.count_nonzero(~np.isnan(values), axis=1).tolist()
        for number, (channel, count) in enumerate(zip(recording.channels, present, strict=True)):
            place = placements.get(channel.name, {})
            self._channels.append(_channel_row(run_id, number, channel, count, n - count, place))
        self._samples.append((run_id, ms, values))

    def write_runs(self) -> None:
        """Writes the rows of `log` and `run` gathered so far."""
        for table, rows in (("log", self._logs), ("run", self._runs)):
            if rows:
                insert_rows(self._con, table, tuple(rows[0]), [tuple(row.values()) for row in rows])
        self._logs, self._runs = [], []

    def write(self) -> None:
        """Writes what was gathered, and begins anew."""
        con = self._con
        self.write_runs()
        insert_rows(con, "log_bytes", ("log_id", "piece", "gzip"), self._bytes)
        insert_rows(con, "run_origin", ("run_id", "field", "origin", "who", "set_at"), self._origins)
        insert_rows(con, "channel", _CHANNEL_COLUMNS, self._channels)
        if self._samples:
            insert_samples(con, self._samples)
        self._bytes, self._origins, self._channels, self._samples = [], [], [], []


_CHANNEL_COLUMNS = (
    *("run_id", "channel_no", "name", "role", "judged", "unit", "unit_original", "samples", "missing", "labels"),
    *("faults", "confidence", "reasons", "placement", "attachment"),
)


@lru_cache(maxsize=1024)
def _json_list(texts: tuple[str, ...]) -> str:
    return json.dumps(list(texts), ensure_ascii=False)


def _channel_row(
    run_id: int, number: int, channel: Channel, present: int, missing: int, place: Mapping[str, str | None]
) -> tuple[Any, ...]:
    return (
        run_id,
        number,
        channel.name,
        channel.role,
        channel.judged,
        _STORED_UNIT.get(channel.role, channel.unit_original),
        channel.unit_original,
        present,
        missing,
        _json_list(channel.labels),
        json.dumps([[f.elapsed_s, f.marker, f.kind] for f in channel.faults], ensure_ascii=False),
        float(channel.confidence),
        _json_list(channel.reasons),
        place.get("place"),
        place.get("attachment"),
    )
