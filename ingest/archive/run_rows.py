"""The rows of one run: run, origins, channels and samples, written inside the caller's transaction."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

import numpy as np

from ingest.archive.clock import stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.archive.fields import COLUMNS, RunField, named
from ingest.archive.gathered import Gathered
from ingest.recording import Notice, Recording


def notices_json(notices: Sequence[Notice]) -> str:
    return json.dumps([{"code": n.code, "text": n.text} for n in notices], ensure_ascii=False)


def milliseconds(recording: Recording) -> np.ndarray:
    """Elapsed time [ms] as stored. ArchiveError unless whole, starting at 0 and strictly increasing."""
    exact = np.asarray(recording.elapsed_s, dtype=np.float64) * 1000.0
    if len(exact) == 0:
        raise ArchiveError("a run without samples cannot be stored")
    ms = np.round(exact)
    if not np.all(np.isfinite(exact)) or np.max(np.abs(exact - ms)) > 1e-6 * max(1.0, float(np.max(ms))):
        raise ArchiveError("elapsed times must be whole milliseconds: quantise them before storing")
    if ms[0] != 0 or (len(ms) > 1 and np.min(np.diff(ms)) <= 0):
        raise ArchiveError("elapsed times must start at 0 and increase from sample to sample")
    if ms[-1] > np.iinfo(np.int32).max:
        raise ArchiveError("a run longer than 24 days cannot be stored as one run: split the log")
    return ms.astype(np.int32)


def complete_metadata(con: Connection, recording: Recording, metadata: Mapping[str, RunField]) -> dict[str, RunField]:
    """What is given, and what follows from it: start and zone from the log, the paste from the jar.

    ArchiveError when a given paste contradicts the jar's.
    """
    fields = named(metadata)
    if recording.started_at is not None and "started_at" not in fields:
        # "derived" from the log's bytes: what a person or a sheet says of the start ranks above it when read again.
        fields["started_at"] = RunField(stored(recording.started_at), "derived")
        if recording.zone and "zone" not in fields:
            fields["zone"] = RunField(recording.zone, "derived")
    if "jar" in fields:
        paste_id = paste_of_jar(con, fields["jar"].value)
        given = fields.get("paste")
        if given is None or given.origin not in ("typed", "imported"):
            fields["paste"] = RunField(paste_id, "derived")
        elif given.value != paste_id:
            raise ArchiveError(f"jar {fields['jar'].value} holds another paste than the one given: correct one of them")
    return fields


def paste_of_jar(con: Connection, jar_id: int) -> int:
    row = con.execute("SELECT paste_id FROM jar WHERE jar_id = ?", [jar_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no jar {jar_id}")
    return int(row[0])


def placements_of_oven(con: Connection, oven_id: int | None) -> dict[str, dict[str, str | None]]:
    """Channel name -> {place, attachment}, as last said for this oven; empty when unknown."""
    if oven_id is None:
        return {}
    row = con.execute("SELECT placements FROM oven WHERE oven_id = ?", [oven_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no oven {oven_id}")
    return json.loads(row[0])


# The columns of `run` that say what the log held.
_SHAPE = ("duration_s", "sample_interval_s", "sample_count", "first_line", "last_line", "notices")


def shape_of(recording: Recording, ms: np.ndarray) -> list[Any]:
    """The values of _SHAPE; the interval is the median."""
    steps = np.diff(ms)
    even = len(steps) > 0 and int(steps.min()) == int(steps.max())
    interval = float(steps[0] if even else np.median(steps)) / 1000.0 if len(steps) else 0.0
    return [
        float(ms[-1]) / 1000.0,
        interval,
        len(ms) * len(recording.channels),
        recording.first_line,
        recording.last_line,
        notices_json(recording.notices),
    ]


def insert_run(
    con: Connection,
    run_id: int,
    log_id: int,
    part: int,
    recording: Recording,
    fields: Mapping[str, RunField],
    gathered: Gathered | None = None,
) -> None:
    """All rows of a new run. `fields` as `complete_metadata` gives them. With `gathered` they are left there to be
    written later."""
    ms = milliseconds(recording)
    values = stored_values(recording, len(ms))
    oven = fields.get("oven")
    rows = gathered or Gathered(con)
    rows.add_run(
        {"run_id": run_id, "log_id": log_id, "part": part}
        | dict(zip(_SHAPE, shape_of(recording, ms), strict=True))
        | {column: fields[name].value if name in fields else None for name, column in COLUMNS.items()}
    )
    rows.add_origins(_origin_rows(run_id, fields, utc_now()))
    if oven is None:
        placements: Mapping[str, Mapping[str, str | None]] = {}
    elif (known := rows.placements.get(oven.value)) is not None:
        placements = known
    else:
        placements = rows.placements[oven.value] = placements_of_oven(con, oven.value)
    rows.add_channels(run_id, recording, ms, values, placements)
    if gathered is None:
        rows.write()


def _origin_rows(run_id: int, fields: Mapping[str, RunField], at: datetime) -> list[tuple[Any, ...]]:
    return [(run_id, name, item.origin, item.who, stored(at)) for name, item in fields.items()]


def insert_origins(
    con: Connection, run_id: int, fields: Mapping[str, RunField], at: datetime, *, replace: bool = False
) -> None:
    """Where these values come from. `replace` for a run that may have rows already."""
    if not fields:
        return
    if replace:
        con.execute(
            "DELETE FROM run_origin WHERE run_id = ? AND field IN (SELECT unnest(?::VARCHAR[]))", [run_id, list(fields)]
        )
    rows = _origin_rows(run_id, fields, at)
    con.execute(
        "INSERT INTO run_origin VALUES " + ", ".join(["(?, ?, ?, ?, ?)"] * len(rows)),
        [value for row in rows for value in row],
    )


def insert_channels(
    con: Connection,
    run_id: int,
    recording: Recording,
    ms: np.ndarray,
    placements: Mapping[str, Mapping[str, str | None]],
) -> None:
    """Channel rows and samples of one run."""
    rows = Gathered(con)
    rows.add_channels(run_id, recording, ms, stored_values(recording, len(ms)), placements)
    rows.write()


def stored_values(recording: Recording, n: int) -> np.ndarray:
    """The values of all channels (channels, n) as stored. ArchiveError when they do not fit the times."""
    if not recording.channels:
        raise ArchiveError("a run without channels cannot be stored")
    values = np.empty((len(recording.channels), n), dtype=np.float32)
    for number, channel in enumerate(recording.channels):
        if len(channel.values) != n:
            raise ArchiveError(f"channel {channel.name} has {len(channel.values)} values for {n} times")
        values[number] = channel.values
    return values


def new_run_ids(con: Connection, count: int) -> list[int]:
    """Fresh run numbers. A number is never given twice, even when its run was never stored."""
    return [row[0] for row in con.execute("SELECT nextval('run_seq') FROM range(?)", [count]).fetchall()]
