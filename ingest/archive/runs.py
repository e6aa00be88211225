"""Runs: back out of the archive as recordings, and what is known about them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from datetime import datetime
from functools import lru_cache
from typing import Any

import numpy as np

from ingest.archive.changes import mark_stale, record_change
from ingest.archive.clock import aware, stored, utc_now
from ingest.archive.connection import Connection
from ingest.archive.errors import ArchiveError
from ingest.archive.fields import COLUMNS, JUDGED_BY, Origin, RunField, as_given, checked, field_name, may_replace
from ingest.archive.run_rows import insert_origins, paste_of_jar
from ingest.archive.unpacking import Samples, load_samples, lost
from ingest.recording import Channel, Fault, Notice, Recording

# Some 20 MB of samples at 600 rows x 5 channels; more at once is not quicker.
_RUNS_PER_QUERY = 500


def load_recording(con: Connection, run_id: int) -> Recording:
    """The run as it was stored, to the last digit. ArchiveError when there is no such run, or samples are lost."""
    for _, recording in load_recordings(con, [run_id]):
        return recording
    raise ArchiveError(f"there is no run {run_id}")


def load_recordings(con: Connection, run_ids: Iterable[int] | None = None) -> Iterator[tuple[int, Recording]]:
    """(run number, recording) of many runs (None: all), in ascending order of run number; unknown numbers are left out.

    Reads some hundred runs per query; between two recordings the connection may be used for anything else.
    Raises ArchiveError for a run whose samples are not all there.
    """
    if run_ids is None:
        wanted = [row[0] for row in con.execute("SELECT run_id FROM run ORDER BY run_id").fetchall()]
    else:
        wanted = sorted({int(run_id) for run_id in run_ids})
    for start in range(0, len(wanted), _RUNS_PER_QUERY):
        yield from _load(con, wanted[start : start + _RUNS_PER_QUERY])


def _load(con: Connection, ids: list[int]) -> Iterator[tuple[int, Recording]]:
    # The range lets DuckDB skip whole row groups, the list picks within them.
    chosen = "run_id BETWEEN ? AND ? AND run_id IN (SELECT unnest(?::INTEGER[]))"
    params = [ids[0], ids[-1], ids]
    if len(ids) == ids[-1] - ids[0] + 1:
        chosen, params = "run_id BETWEEN ? AND ?", [ids[0], ids[-1]]
    runs = con.execute(
        f"SELECT run_id, started_at, zone, first_line, last_line, notices FROM run WHERE {chosen} ORDER BY run_id",
        params,
    ).fetchall()
    channels: dict[int, list[tuple[Any, ...]]] = {}
    for row in con.execute(
        f"""SELECT run_id, name, role, unit_original, judged, labels, faults, confidence, reasons FROM channel
            WHERE {chosen} ORDER BY run_id, channel_no""",
        params,
    ).fetchall():
        channels.setdefault(row[0], []).append(row)
    samples = load_samples(con, chosen, params)
    for run in runs:
        yield run[0], _recording(run, channels.get(run[0], []), samples.get(run[0]))


def _recording(run: tuple[Any, ...], rows: list[tuple[Any, ...]], samples: Samples | None) -> Recording:
    run_id, started_at, zone, first_line, last_line, notices = run
    if samples is None or len(samples[1]) != len(rows):
        raise lost(run_id)
    elapsed_s, values = samples
    try:
        channels = tuple(channel_of(row[1:], values[i]) for i, row in enumerate(rows))
        said = tuple(Notice(n["code"], n["text"]) for n in json.loads(notices)) if notices != "[]" else ()
    except (TypeError, ValueError, KeyError):  # lists that are stored as text and are no such lists any more
        raise ArchiveError(
            f"what is stored about the channels of run {run_id} is damaged: run `ovenbook verify`, then `ovenbook rebuild`"
        ) from None
    return Recording(
        elapsed_s=elapsed_s,
        channels=channels,
        started_at=aware(started_at),
        zone=zone,
        first_line=first_line,
        last_line=last_line,
        notices=said,
    )


@lru_cache(maxsize=1024)
def _items(stored_list: str) -> tuple[Any, ...]:
    return () if stored_list == "[]" else tuple(json.loads(stored_list))


def channel_of(row: tuple[Any, ...], values: np.ndarray) -> Channel:
    """A channel from its row: name, role, unit_original, judged, labels, faults, confidence, reasons; and its values."""
    name, role, unit_original, judged, labels, faults, confidence, reasons = row
    return Channel(
        name=name,
        role=role,
        unit_original=unit_original,
        values=values,
        judged=judged,
        labels=_items(labels),
        faults=tuple(Fault(*fault) for fault in _items(faults)),
        confidence=confidence,
        reasons=_items(reasons),
    )


def run_exists(con: Connection, run_id: int) -> bool:
    return con.execute("SELECT 1 FROM run WHERE run_id = ?", [run_id]).fetchone() is not None


def run_ids(con: Connection) -> list[int]:
    """All run numbers, ascending."""
    return [row[0] for row in con.execute("SELECT run_id FROM run ORDER BY run_id").fetchall()]


def run_fields(con: Connection, run_id: int) -> dict[str, RunField]:
    """What is known about a run: field -> value with its origin; unknown fields are left out.

    ArchiveError when there is no such run.
    """
    row = con.execute(f"SELECT {', '.join(COLUMNS.values())} FROM run WHERE run_id = ?", [run_id]).fetchone()
    if row is None:
        raise ArchiveError(f"there is no run {run_id}")
    origins = {
        name: (origin, who)
        for name, origin, who in con.execute(
            "SELECT field, origin, who FROM run_origin WHERE run_id = ?", [run_id]
        ).fetchall()
    }
    return {
        name: RunField(as_given(name, value), *origins.get(name, ("derived", None)))
        for name, value in zip(COLUMNS, row, strict=True)
        if value is not None
    }


def last_run_of_oven(con: Connection, oven_id: int, before: datetime | None = None) -> int | None:
    """The oven's latest run (that started before `before`), or None: the one metadata is carried over from.

    A run whose start is unknown counts as started when its log came in.
    """
    row = con.execute(
        """SELECT run_id FROM run JOIN log USING (log_id)
           WHERE oven_id = ? AND (?::TIMESTAMP IS NULL OR coalesce(started_at, received_at) < ?)
           ORDER BY coalesce(started_at, received_at) DESC, run_id DESC LIMIT 1""",
        [oven_id, stored(before), stored(before)],
    ).fetchone()
    return row[0] if row else None


def set_run_field(
    con: Connection,
    run_id: int,
    field: str,
    value: Any,
    origin: Origin = "typed",
    who: str | None = None,
    why: str | None = None,
) -> bool:
    """Sets one metadata value of a run and records the change; returns whether it was set.

    `field` a name of fields.FIELDS; `value` a row number, aware time, number or text, None for unknown. A value of
    lower standing never replaces a higher one (typed over imported over carried over and derived): False then, and
    nothing changes. Setting a jar sets its paste unless one was typed. The evaluation becomes stale where it hangs on
    the field. ArchiveError for an unknown run, field, origin or row number.
    """
    field = field_name(field)
    new = checked(field, value)
    if new is not None and field in ("oven", "profile", "paste", "jar", "board"):
        found = con.execute(f"SELECT 1 FROM {field} WHERE {field}_id = ?", [new]).fetchone()
        if found is None:
            raise ArchiveError(f"there is no {field} {new}")
    known = run_fields(con, run_id).get(field)
    if not may_replace(origin, known.origin if known else None):
        return False
    old = checked(field, known.value) if known else None
    if new != old:
        con.execute(f"UPDATE run SET {COLUMNS[field]} = ? WHERE run_id = ?", [new, run_id])
        record_change(con, "run", run_id, field, old, new, who, why)
        if field in JUDGED_BY:
            mark_stale(con, [run_id], f"{field} changed")
    if new is None:
        con.execute("DELETE FROM run_origin WHERE run_id = ? AND field = ?", [run_id, field])
    else:
        insert_origins(con, run_id, {field: RunField(new, origin, who)}, utc_now(), replace=True)
    if field == "jar" and new is not None:
        set_run_field(con, run_id, "paste", paste_of_jar(con, new), "derived", who, "follows from the jar")
    return True


def set_placement(
    con: Connection,
    run_id: int,
    channel: str,
    place: str | None,
    attachment: str | None,
    who: str | None = None,
    why: str | None = None,
) -> None:
    """Says where a channel's sensor sat in this run and how it was attached; None is unknown. Records the change."""
    row = con.execute(
        "SELECT placement, attachment FROM channel WHERE run_id = ? AND name = ?", [run_id, channel]
    ).fetchone()
    if row is None:
        raise ArchiveError(f'run {run_id} has no channel "{channel}"')
    con.execute(
        "UPDATE channel SET placement = ?, attachment = ? WHERE run_id = ? AND name = ?",
        [place, attachment, run_id, channel],
    )
    for what, old, new in (("placement", row[0], place), ("attachment", row[1], attachment)):
        if old != new:
            record_change(con, "channel", run_id, f"{channel}.{what}", old, new, who, why)
    mark_stale(con, [run_id], "placement changed")
