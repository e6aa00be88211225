"""Is the archive sound? Every log's bytes, every run's samples, no row without the one it belongs to, every view."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import duckdb
import numpy as np

from ingest.archive.connection import Archive, Connection, one_line
from ingest.archive.contract import REFERENCES, SEQUENCES, UNIQUE, VIEWS
from ingest.archive.log_rows import unpack
from ingest.archive.unpacking import Samples, load_samples

# Between two portions other programs get the archive.
_LOGS_AT_ONCE, _RUNS_AT_ONCE = 200, 500


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong. `code`: unreadable, schema, bytes, status, samples, orphan, double, number or view."""

    code: str
    text: str


def verify(archive: Archive) -> list[Problem]:
    """Everything that is wrong with the archive; an empty list means it is sound. Changes nothing.

    Checked: each kept log decompresses to the size and SHA-256 it came in with; stored logs have runs and others have
    none; each run has as many samples as it says, per channel as many values as it says, at strictly increasing times
    from 0; no row refers to one that is not there (contract.REFERENCES) or is there twice (contract.UNIQUE); numbers not
    yet given are above all that were; the public views have their columns (contract.VIEWS) and can be read to the end.
    Part of the archive that cannot be read is reported as `unreadable`, the rest is checked all the same.
    """
    problems: list[Problem] = []
    for check in (_schema, _status, _references, _doubles, _numbers, _views):
        problems += _guarded(archive, check)
    problems += _in_portions(archive, "log_bytes", "log_id", _LOGS_AT_ONCE, _bytes)
    problems += _in_portions(archive, "run", "run_id", _RUNS_AT_ONCE, _samples)
    return problems


def _guarded(archive: Archive, check: Callable[[Connection], Iterator[Problem]]) -> list[Problem]:
    found: list[Problem] = []
    try:
        with archive.connect() as con:
            found.extend(check(con))
    except duckdb.Error as error:
        found.append(Problem("unreadable", f"a part of the archive cannot be read: {one_line(error)}"))
    return found


def _in_portions(
    archive: Archive,
    table: str,
    key: str,
    size: int,
    check: Callable[[Connection, int, int], Iterator[Problem]],
) -> list[Problem]:
    """`check(con, first, last)` over all keys, with the archive let go between portions."""
    try:
        with archive.connect() as con:
            ids = [row[0] for row in con.execute(f"SELECT DISTINCT {key} FROM {table} ORDER BY {key}").fetchall()]
    except duckdb.Error as error:
        return [Problem("unreadable", f"the table {table} cannot be read: {one_line(error)}")]
    found: list[Problem] = []
    for start in range(0, len(ids), size):
        portion = ids[start : start + size]

        def check_portion(con: Connection, first: int = portion[0], last: int = portion[-1]) -> Iterator[Problem]:
            return check(con, first, last)

        found += _guarded(archive, check_portion)
    return found


def _schema(con: Connection) -> Iterator[Problem]:
    versions = [row[0] for row in con.execute("SELECT version FROM schema_version ORDER BY version").fetchall()]
    if versions != list(range(1, len(versions) + 1)) or not versions:
        yield Problem("schema", f"the record of schema versions has gaps: {versions}")
    rows = con.execute("SELECT count(*) FROM archive_state").fetchone()
    if rows is None or rows[0] != 1:
        yield Problem("schema", f"the archive's state must be one row and is {rows[0] if rows else 0}")


def _status(con: Connection) -> Iterator[Problem]:
    for log_id, name, status, runs, has_bytes in con.execute(
        """SELECT l.log_id, l.file_name, l.status, coalesce(r.runs, 0), b.log_id IS NOT NULL FROM log l
           LEFT JOIN (SELECT log_id, count(*) AS runs FROM run GROUP BY log_id) r USING (log_id)
           LEFT JOIN (SELECT DISTINCT log_id FROM log_bytes) b USING (log_id) ORDER BY l.log_id"""
    ).fetchall():
        if status not in ("stored", "held", "rejected"):
            yield Problem("status", f'log {log_id} ({name}) has the unknown status "{status}"')
        if status in ("stored", "held") and not has_bytes:
            yield Problem("bytes", f"log {log_id} ({name}) is {status}, but its original bytes are missing")
        if status == "stored" and runs == 0:
            yield Problem("status", f"log {log_id} ({name}) is stored, but has no run")
        if status != "stored" and runs > 0:
            yield Problem("status", f"log {log_id} ({name}) is {status}, but has {runs} runs")


def _references(con: Connection) -> Iterator[Problem]:
    for table, columns, parent, keys in REFERENCES:
        same = " AND ".join(f"p.{key} = c.{column}" for column, key in zip(columns, keys, strict=True))
        filled = " AND ".join(f"c.{column} IS NOT NULL" for column in columns)
        listed = ", ".join(f"c.{column}" for column in columns)
        # The distinct pairs first: samples are many, the rows they belong to few.
        rows = con.execute(
            f"""SELECT {listed}, c.rows FROM (SELECT {", ".join(columns)}, count(*) AS rows FROM {table} GROUP BY ALL) c
                WHERE {filled} AND NOT EXISTS (SELECT 1 FROM {parent} p WHERE {same}) ORDER BY ALL"""
        ).fetchall()
        for *values, count in rows:
            named = ", ".join(f"{column} {value}" for column, value in zip(columns, values, strict=True))
            yield Problem("orphan", f"{count} rows of {table} refer to {named}, which {parent} does not have")


def _doubles(con: Connection) -> Iterator[Problem]:
    for table, columns in UNIQUE.items():
        listed = ", ".join(columns)
        for *values, count in con.execute(
            f"SELECT {listed}, count(*) FROM {table} GROUP BY ALL HAVING count(*) > 1 ORDER BY ALL"
        ).fetchall():
            named = ", ".join(f"{column} {value}" for column, value in zip(columns, values, strict=True))
            yield Problem("double", f"{table} has {count} rows of {named} instead of one")


def _numbers(con: Connection) -> Iterator[Problem]:
    sequences = {
        name: (last, start)
        for name, last, start in con.execute(
            "SELECT sequence_name, last_value, start_value FROM duckdb_sequences() WHERE database_name = current_database()"
        ).fetchall()
    }
    for sequence, (table, column) in SEQUENCES.items():
        row = con.execute(f"SELECT max({column}) FROM {table}").fetchone()
        highest = row[0] if row else None
        if sequence not in sequences:
            yield Problem("number", f"the numbering of {table} is missing")
            continue
        last, start = sequences[sequence]
        following = start if last is None else last + 1
        if highest is not None and highest >= following:
            yield Problem("number", f"{table} would give number {following} again: the highest given is {highest}")


def _views(con: Connection) -> Iterator[Problem]:
    for view, promised in VIEWS.items():
        try:
            rows = con.execute(f"DESCRIBE {view}").fetchall()
        except duckdb.CatalogException:
            yield Problem("view", f"the view {view} is missing")
            continue
        except duckdb.BinderException as error:
            yield Problem("view", f"the view {view} does not work: {one_line(error)}")
            continue
        has = {row[0]: row[1] for row in rows}
        for column, kind in promised:
            if column not in has:
                yield Problem("view", f"the view {view} lacks its column {column}")
            elif has[column] != kind:
                yield Problem("view", f"the column {column} of the view {view} is {has[column]} instead of {kind}")
        if view not in ("sample", "samples"):  # what they show is read with every run's samples
            con.execute(f"SELECT count(COLUMNS(*)) FROM {view}").fetchall()


def _bytes(con: Connection, first: int, last: int) -> Iterator[Problem]:
    cursor = con.execute(
        """SELECT log_id, file_name, sha256, size_bytes, list(gzip ORDER BY piece) FROM log JOIN log_bytes USING (log_id)
           WHERE log_id BETWEEN ? AND ? GROUP BY ALL ORDER BY log_id""",
        [first, last],
    )
    while (row := cursor.fetchone()) is not None:
        log_id, name, sha256, size, pieces = row
        try:
            data = unpack(pieces)
        except (OSError, EOFError, zlib.error):
            yield Problem("bytes", f"the original bytes of log {log_id} ({name}) cannot be decompressed")
            continue
        if len(data) != size:
            yield Problem("bytes", f"log {log_id} ({name}) has {len(data)} bytes instead of {size}")
        if hashlib.sha256(data).hexdigest() != sha256:
            yield Problem("bytes", f"the original bytes of log {log_id} ({name}) do not match their hash")


def _samples(con: Connection, first: int, last: int) -> Iterator[Problem]:
    span = [first, last]
    runs = con.execute(
        "SELECT run_id, sample_count, duration_s FROM run WHERE run_id BETWEEN ? AND ? ORDER BY run_id", span
    ).fetchall()
    channels: dict[int, list[tuple[int, str, int, int]]] = {}
    for run_id, *channel in con.execute(
        """SELECT run_id, channel_no, name, samples, missing FROM channel WHERE run_id BETWEEN ? AND ?
           ORDER BY run_id, channel_no""",
        span,
    ).fetchall():
        channels.setdefault(run_id, []).append((channel[0], channel[1], channel[2], channel[3]))
    values: dict[int, dict[int, tuple[int, int]]] = {}
    for run_id, channel_no, there, missing in con.execute(
        """SELECT run_id, channel_no, sum(there)::INTEGER, sum(size - there)::INTEGER
           FROM (SELECT run_id, channel_no, len(number) + len(value) AS size, list_count(number) + list_count(value) AS there
                 FROM sample_values WHERE run_id BETWEEN ? AND ?) GROUP BY ALL""",
        span,
    ).fetchall():
        values.setdefault(run_id, {})[channel_no] = (there, missing)
    loaded = load_samples(con, "run_id BETWEEN ? AND ?", span)
    for run_id, said, duration_s in runs:
        yield from _run_samples(
            run_id, said, duration_s, channels.get(run_id, []), values.get(run_id, {}), loaded.get(run_id)
        )


def _run_samples(
    run_id: int,
    said: int,
    duration_s: float,
    channels: list[tuple[int, str, int, int]],
    values: dict[int, tuple[int, int]],
    loaded: Samples | None,
) -> Iterator[Problem]:
    count = sum(there + missing for there, missing in values.values())
    if count != said:
        yield Problem("samples", f"run {run_id} has {count} samples instead of {said}")
    elif loaded is None:
        yield Problem("samples", f"run {run_id}: its samples do not fit together")
    if [channel[0] for channel in channels] != list(range(len(channels))) or not channels:
        yield Problem("samples", f"run {run_id} has channels missing: it has {[channel[0] for channel in channels]}")
    for channel_no, name, samples, missing in channels:
        found = values.get(channel_no, (0, 0))
        if found != (samples, missing):
            yield Problem(
                "samples",
                f"run {run_id}, channel {name}: {found[0]} values and {found[1]} missing "
                f"instead of {samples} and {missing}",
            )
    if loaded is not None:
        times = loaded[0]
        if times[0] != 0 or np.any(np.diff(times) <= 0) or abs(times[-1] - duration_s) > 0.0005:
            yield Problem("samples", f"run {run_id}: its times do not run from 0 to {duration_s:g} s")
