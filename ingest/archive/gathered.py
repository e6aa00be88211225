"""Rows of several new logs of one transaction, gathered and written together: a statement costs a millisecond, a row far less.

Only rows that nobody looks at before the transaction ends are gathered: bytes, channels, samples, origins. `log` and
`run` rows are written at once, because the next log of the same import asks for them.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ingest.archive.connection import Connection
from ingest.archive.packing import Sampled, insert_samples
from ingest.recording import Channel, Recording

# A channel's values are stored in one unit per role, whatever the log used.
_STORED_UNIT = {"temperature": "°C", "setpoint": "°C", "reference_junction": "°C", "duty": "1", "state": "code"}
_CHANNEL_TYPES = (
    *("INTEGER", "SMALLINT", "VARCHAR", "VARCHAR", "BOOLEAN", "VARCHAR", "VARCHAR", "INTEGER", "INTEGER"),
    *("JSON", "JSON", "DOUBLE", "JSON", "VARCHAR", "VARCHAR"),
)


Numbers = dict[str, list[int]]  # sequence -> numbers taken and not used yet, ascending


class Gathered:
    """`numbers`: run and log numbers taken in advance; without, they are taken one by one."""

    def __init__(self, con: Connection, numbers: Numbers | None = None) -> None:
        self._con = con
        self._numbers: Numbers = {} if numbers is None else numbers
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

    def write(self) -> None:
        """Writes what was gathered, and begins anew."""
        con = self._con
        _insert(con, "log_bytes", ("INTEGER", "INTEGER", "BLOB"), self._bytes)
        _insert(con, "run_origin", ("INTEGER", "VARCHAR", "VARCHAR", "VARCHAR", "TIMESTAMP"), self._origins)
        _insert(con, "channel", _CHANNEL_TYPES, self._channels)
        if self._samples:
            insert_samples(con, self._samples)
        self._bytes, self._origins, self._channels, self._samples = [], [], [], []


def _insert(con: Connection, table: str, types: tuple[str, ...], rows: list[tuple[Any, ...]]) -> None:
    if not rows:
        return
    columns = ", ".join(f"unnest(?::{kind}[])" for kind in types)
    con.execute(f"INSERT INTO {table} SELECT {columns}", [list(column) for column in zip(*rows, strict=True)])


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
        json.dumps(list(channel.labels), ensure_ascii=False),
        json.dumps([[f.elapsed_s, f.marker, f.kind] for f in channel.faults], ensure_ascii=False),
        channel.confidence,
        json.dumps(list(channel.reasons), ensure_ascii=False),
        place.get("place"),
        place.get("attachment"),
    )
