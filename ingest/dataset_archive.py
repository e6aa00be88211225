"""A published data set opened as an archive: the same tables and views, in a file or in memory, for reading only.

Each publisher's files are seen as tables named `other.run`, `other.samples` ... and taken over as another archive would
be (`ingest.archive.adoption`), the newest publication first; a run that several published comes in once. Rows keep the
numbers of the publishing archive wherever two publishers do not claim the same one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from ingest.archive.adopted_runs import adopt_logs, adopt_looked_at, adopt_metadata, put_derived, start_logs
from ingest.archive.adoption import Adoption, adopt_reference, go_on_numbering
from ingest.archive.connection import Archive, Connection, connect, literal
from ingest.archive.migrate import migrate
from ingest.archive.packing import STRETCH
from ingest.dataset import Manifest, Part, Place, read_manifests
from ingest.publishing import name_runs

# Table of the archive -> published table; others are found under `reference` by their own name.
_PUBLISHED = {
    "run": "runs",
    "run_origin": "origins",
    "log": "logs",
    "log_bytes": "originals",
    "channel": "channels",
    "sample_times": "samples",
    "sample_values": "samples",
    "evaluation": "evaluations",
    "metric": "metrics",
    "limit_result": "limits",
    "finding_row": "findings",
    "inspection": "inspections",
    "defect": "defects",
    "comparison_choice": "choices",
}
_LOGS_AT_ONCE = 2000

# Published samples are rows; here they are lists again, as ingest/archive/packing.py makes them but for the values, which
# stay as they are: this archive is a copy for a while, and need not be small.
_NUMBERED = """SELECT *, (row_number() OVER (PARTITION BY run_id, channel_no ORDER BY elapsed_ms) - 1)::INTEGER AS no,
    elapsed_ms - lag(elapsed_ms) OVER (PARTITION BY run_id, channel_no ORDER BY elapsed_ms) AS step FROM {source}"""
_WITHIN = f"FILTER (no % {STRETCH} > 0)"
_AS_LISTS = {
    "sample_times": f"""SELECT run_id, stretch, samples, first_ms, step_ms,
            CASE WHEN step_ms IS NULL THEN elapsed_ms ELSE [] END AS elapsed_ms
        FROM (SELECT run_id, no // {STRETCH} AS stretch, count(*)::INTEGER AS samples, min(elapsed_ms) AS first_ms,
                     CASE WHEN count(*) = 1 THEN 1 WHEN min(step) {_WITHIN} = max(step) {_WITHIN} THEN max(step) {_WITHIN} END
                     AS step_ms, list(elapsed_ms ORDER BY no) AS elapsed_ms
              FROM ({_NUMBERED}) WHERE channel_no = 0 GROUP BY run_id, no // {STRETCH})""",
    "sample_values": f"""SELECT run_id, channel_no, no // {STRETCH} AS stretch, NULL::DOUBLE AS per_unit, []::INTEGER[] AS number,
            list(value ORDER BY no) AS value
        FROM ({_NUMBERED}) GROUP BY run_id, channel_no, no // {STRETCH}""",
}

Choose = Callable[[str, Part], str | None]  # table of the data set, part -> the file to read, or None to leave it out


def published_file(table: str, part: Part) -> str | None:
    """Every table of the part as it was published."""
    return part.files.get(table)


@contextmanager
def in_memory(
    place: Place, manifests: Sequence[Manifest], oven: str | None, scratch: Path, choose: Choose = published_file
) -> Iterator[Connection]:
    """One oven's runs (None: those without an oven) as an archive in memory; `choose` says what to read of each part."""
    with connect(Path(":memory:")) as con:
        _fill(con, place, manifests, scratch, choose, lambda part: part.oven == oven)
        yield con


def build_archive(
    place: Place,
    path: Path,
    *,
    manifests: Sequence[Manifest] | None = None,
    oven: str | None = None,
    choose: Choose = published_file,
    derived: Mapping[str, Sequence[Path]] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Archive:
    """The data set (of one oven, or whole) as an archive file at `path`, which must not exist; read-only from then on.

    `derived`: published table -> files to take evaluations from instead, matched by the runs' names.
    """
    found = list(manifests) if manifests is not None else read_manifests(place)
    scratch = path.parent / "fetched"
    scratch.mkdir(exist_ok=True)
    with connect(path) as con:
        _fill(con, place, found, scratch, choose, lambda part: oven is None or part.oven == oven, progress)
        go_on_numbering(con)
        if derived is not None:
            name_runs(con, None)
            tables = {table: derived[published] for table, published in _PUBLISHED.items() if published in derived}
            put_derived(con, tables)
    return Archive(path, read_only=True)


def _fill(
    con: Connection,
    place: Place,
    manifests: Sequence[Manifest],
    scratch: Path,
    choose: Choose,
    wanted: Callable[[Part], bool],
    progress: Callable[[int, int], None] | None = None,
) -> None:
    migrate(con, Path(":memory:"), zone=manifests[0].zone)
    tables = [
        row[0]
        for row in con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT internal AND NOT temporary").fetchall()
    ]
    for manifest in manifests:
        parts = [part for part in manifest.parts if wanted(part)]
        if not parts:
            continue
        files = {table: _files(place, manifest, parts, table, scratch, choose) for table in tables}
        _as_other(con, tables, files, manifest)
        adoption = Adoption(con, keep_numbers=True)
        con.execute("BEGIN TRANSACTION")
        adopt_reference(adoption)
        logs = start_logs(adoption)
        for start in range(0, len(logs), _LOGS_AT_ONCE):
            adopt_logs(adoption, logs[start : start + _LOGS_AT_ONCE])
            if progress is not None:
                progress(min(start + _LOGS_AT_ONCE, len(logs)), len(logs))
        adopt_metadata(adoption)
        adopt_looked_at(adoption)
        con.execute("COMMIT")
        con.execute("DROP SCHEMA other CASCADE")


def _files(
    place: Place, manifest: Manifest, parts: Collection[Part], table: str, scratch: Path, choose: Choose
) -> list[str]:
    published = _PUBLISHED.get(table)
    names = [choose(published, part) for part in parts] if published else [manifest.reference.get(table)]
    return [os.fspath(place.local(name, scratch)) for name in names if name is not None]


def _as_other(con: Connection, tables: Sequence[str], files: dict[str, list[str]], manifest: Manifest) -> None:
    """The publisher's files as tables of the schema `other`, with the columns they have in an archive."""
    con.execute("CREATE SCHEMA other")
    for table in tables:
        if not files[table]:
            con.execute(f"CREATE TABLE other.{table} AS FROM {table} LIMIT 0")
            continue
        source = f"read_parquet([{', '.join(map(literal, files[table]))}], hive_partitioning = false)"
        columns = [row[0] for row in con.execute(f"DESCRIBE {table}").fetchall()]
        if table in _AS_LISTS:
            con.execute(f"CREATE VIEW other.{table} AS {_AS_LISTS[table].format(source=source)}")
            continue
        if table == "log_bytes":
            chosen = "log_id, 0 AS piece, gzip"
        else:
            chosen = ", ".join(columns)
            if "row_no" in {row[0] for row in con.execute(f"DESCRIBE FROM {source}").fetchall()}:
                chosen += ", row_no AS rowid"
        con.execute(f"CREATE VIEW other.{table} AS SELECT {chosen} FROM {source}")
    con.execute("INSERT INTO other.archive_state SELECT ?::TIMESTAMP, ?, 0", [manifest.published_at, manifest.zone])
