"""The archive's public views, whole or for chosen runs, as CSV, Parquet or one DuckDB file; and original logs.

A file appears under its name only when it is whole. The archive is opened for short moments, some hundred runs at a time,
so that imports go on meanwhile.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from dashboard.export_selection import Selection, selected_runs
from ingest.archive.errors import ArchiveError

if TYPE_CHECKING:
    import pyarrow

    from ingest.archive import Archive

# What can be exported: the stable view, the column it is in order by, and what a row is.
VIEWS: dict[str, tuple[str, str, str]] = {
    "runs": ("run_overview", "run", "a run"),
    "channels": ("channel_overview", "run, channel_no", "a channel of a run"),
    "samples": ("sample", "run, channel, elapsed_s", "a sample"),
    "metrics": ("metric_long", "run, metric, channel", "a measured number"),
    "findings": ("finding", "run, code, channel", "what a channel check saw"),
    "defects": ("defect_long", "run, inspection", "a defect, or a clean inspection"),
    "events": ("oven_event", "event", "maintenance or a change on an oven"),
}
ENDINGS = (".csv", ".parquet", ".duckdb")
_RUNS_AT_ONCE = 200  # of samples about 10 MB; the archive is held for a fraction of a second


@dataclass(frozen=True)
class Exported:
    """What was written: the file, and how many rows of which view."""

    path: Path
    rows: Mapping[str, int]


def export(
    archive: Archive, what: str, target: Path, selection: Selection | None = None, *, replace: bool = False
) -> Exported:
    """Write `what` (a key of VIEWS, or "all") of the chosen runs to `target`; its ending chooses the format.

    "all" needs .duckdb: one file with a table for each view. Events are those of the chosen runs' ovens. Columns and units
    are those of the views. Raises ArchiveError: unknown ending, file there already, target is the archive itself.
    """
    if what != "all" and what not in VIEWS:
        raise ArchiveError(f"'{what}' cannot be exported: there are {', '.join(VIEWS)} and all")
    if target.suffix.lower() not in ENDINGS:
        raise ArchiveError(f"{target.name} names no format: end it in {', '.join(ENDINGS)}")
    if what == "all" and target.suffix.lower() != ".duckdb":
        raise ArchiveError("everything at once goes into one DuckDB file: end its name in .duckdb")
    runs = None if selection is None or selection == Selection() else selected_runs(archive, selection)
    rows: dict[str, int] = {}
    with unfinished(archive, target, replace=replace) as path, _writer(path, target.suffix.lower()) as writer:
        for name in VIEWS if what == "all" else (what,):
            rows[name] = 0
            for part in _parts(archive, name, runs):
                writer.add(name, part)
                rows[name] += part.num_rows
    return Exported(target, rows)


def export_log(archive: Archive, log_id: int, target: Path, *, replace: bool = False) -> int:
    """Write the original bytes of a log to `target`, byte for byte; returns how many. Raises ArchiveError."""
    data = log_bytes(archive, log_id)
    with unfinished(archive, target, replace=replace) as path:
        path.write_bytes(data)
    return len(data)


def log_bytes(archive: Archive, log_id: int) -> bytes:
    from ingest.archive.logs import original_bytes

    with archive.connect() as con:
        return original_bytes(con, log_id)


@contextlib.contextmanager
def unfinished(archive: Archive, target: Path, *, replace: bool = False) -> Iterator[Path]:
    """A path to write to; it takes the name `target` when the block ends well, and is gone otherwise."""
    target = target.expanduser()
    archive_files = {os.path.realpath(archive.path), os.path.realpath(f"{archive.path}.wal")}
    if os.path.realpath(target) in archive_files:
        raise ArchiveError(f"{target} is the archive itself: give another name")
    if target.is_dir():
        raise ArchiveError(f"{target} is a folder: give a file name in it")
    if target.exists() and not replace:
        raise ArchiveError(f"{target} is there already: give another name, or --replace")
    if not target.parent.is_dir():
        raise ArchiveError(f"the folder {target.parent} is not there: make it first")
    path = target.with_name(f".{target.name}.unfinished")
    path.unlink(missing_ok=True)
    try:
        yield path
        os.replace(path, target)
    finally:
        path.unlink(missing_ok=True)


def _parts(archive: Archive, name: str, runs: list[int] | None) -> Iterator[pyarrow.Table]:
    """The rows of a view in parts; at least one part, so that an empty export still has its columns."""
    view, order, _ = VIEWS[name]
    if name == "events":
        where, values = "TRUE", ()
        if runs is not None:
            where = "oven IN (SELECT oven FROM run_overview WHERE run IN (SELECT unnest(?::INTEGER[])))"
            values = (runs,)
        yield _rows(archive, f"SELECT * FROM {view} WHERE {where} ORDER BY {order}", values)
        return
    numbers = sorted(runs) if runs is not None else _all_runs(archive)
    for start in range(0, max(len(numbers), 1), _RUNS_AT_ONCE):
        part = numbers[start : start + _RUNS_AT_ONCE]
        first, last = (part[0], part[-1]) if part else (0, -1)
        yield _rows(
            archive,
            # The range lets DuckDB skip whole row groups, the list picks within them.
            f"SELECT * FROM {view} WHERE run BETWEEN ? AND ? AND run IN (SELECT unnest(?::INTEGER[])) ORDER BY {order}",
            (first, last, part),
        )


def _all_runs(archive: Archive) -> list[int]:
    return [int(run) for run in archive.read("SELECT run_id FROM run ORDER BY run_id")["run_id"]]


def _rows(archive: Archive, sql: str, values: tuple[Any, ...]) -> pyarrow.Table:
    with archive.connect() as con:
        return con.sql(sql, params=list(values)).to_arrow_table()


class _Writer(Protocol):
    def add(self, name: str, rows: pyarrow.Table) -> None: ...


@contextlib.contextmanager
def _writer(path: Path, ending: str) -> Iterator[_Writer]:
    if ending == ".csv":
        yield _Csv(path)
    elif ending == ".parquet":
        writer = _Parquet(path)
        try:
            yield writer
        finally:
            writer.close()
    else:
        import duckdb

        with duckdb.connect(str(path)) as con:
            yield _DuckDb(con)


class _Csv:
    def __init__(self, path: Path) -> None:
        self._path, self._first = path, True

    def add(self, name: str, rows: pyarrow.Table) -> None:
        from dashboard.export_cells import csv_bytes

        del name
        with self._path.open("ab") as file:
            file.write(csv_bytes(rows.to_pandas(integer_object_nulls=True), first=self._first))
        self._first = False


class _Parquet:
    def __init__(self, path: Path) -> None:
        self._path, self._open = path, None

    def add(self, name: str, rows: pyarrow.Table) -> None:
        import pyarrow.parquet

        del name
        if self._open is None:
            self._open = pyarrow.parquet.ParquetWriter(self._path, rows.schema, compression="zstd")
        self._open.write_table(rows)

    def close(self) -> None:
        if self._open is not None:
            self._open.close()


class _DuckDb:
    def __init__(self, con: Any) -> None:
        self._con, self._made = con, set[str]()

    def add(self, name: str, rows: pyarrow.Table) -> None:
        """The table bears the view's name, so that a query of the archive runs on the export unchanged."""
        view = VIEWS[name][0]
        self._con.register("part", rows)
        if view in self._made:
            self._con.execute(f"INSERT INTO {view} SELECT * FROM part")
        else:
            self._con.execute(f"CREATE TABLE {view} AS SELECT * FROM part")
            self._made.add(view)
        self._con.unregister("part")
