"""The archive as a Parquet data set, partitioned by oven and month, for those who outgrow one machine.

Runs are named by the hash of their log and their part, so that data sets and archives merge without a coordinator.
Publishing is incremental: a partition is written when the hash of what it holds differs from what lies there, so a run
corrected or judged again since goes out again, and a second call changes nothing. Beside its names every table keeps
the numbers of the archive it came from, so that a data set can be opened as an archive (`ingest.dataset_archive`).

Published: runs, logs and original bytes, samples, what was derived, inspections, reference data. Not published: logs
that are held or rejected, the record of changes, who may sign in.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import time
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ingest.archive.clock import utc_now
from ingest.archive.connection import Archive, Connection, change_counter, literal, zone_of
from ingest.archive.errors import ArchiveError
from ingest.archive.migrate import schema_version
from ingest.dataset import Manifest, Part, Place, partition_path, place_of, read_manifest, write_manifest

Progress = Callable[[int, int], None]
Partition = tuple[str | None, str | None]  # oven, month
Contents = tuple[list[int], dict[str, str]]  # run numbers, ascending; table -> hash of its rows

_HOLD_S = 0.5  # how long the archive is held before others get their turn [s]

_OF_CHANNEL = "JOIN publish_run p USING (run_id) LEFT JOIN channel c USING (run_id, channel_no)"
_IN_ORDER = "row_number() OVER (PARTITION BY t.run_id ORDER BY t.rowid) AS row_no"

# Published table -> its rows. The first column is the run's name; the order of derived rows is kept as `row_no`.
TABLES: dict[str, str] = {
    "runs": """SELECT p.run, p.oven, f.name AS profile, a.name AS paste, a.alloy, j.label AS jar, j.lot, b.name AS board,
               b.revision AS board_revision, l.sha256, l.file_name AS log_file, t.*
        FROM run t JOIN publish_run p USING (run_id) JOIN log l USING (log_id) LEFT JOIN profile f USING (profile_id)
        LEFT JOIN paste a ON a.paste_id = t.paste_id LEFT JOIN jar j USING (jar_id) LEFT JOIN board b USING (board_id)
        ORDER BY t.run_id""",
    "origins": "SELECT p.run, t.* FROM run_origin t JOIN publish_run p USING (run_id) ORDER BY t.run_id, t.field",
    "logs": "SELECT p.run, t.* FROM log t JOIN publish_run p ON p.of_log = t.log_id WHERE p.carries_log ORDER BY t.log_id",
    "originals": """SELECT any_value(p.run) AS run, t.log_id,
               list_reduce(list(t.gzip ORDER BY t.piece), lambda a, b: a || b) AS gzip
        FROM log_bytes t JOIN publish_run p ON p.of_log = t.log_id WHERE p.carries_log GROUP BY t.log_id ORDER BY t.log_id""",
    "channels": "SELECT p.run, t.* FROM channel t JOIN publish_run p USING (run_id) ORDER BY t.run_id, t.channel_no",
    "samples": """SELECT p.run, t.* FROM samples t JOIN publish_run p USING (run_id)
        WHERE t.run_id BETWEEN {first} AND {last} ORDER BY t.run_id, t.channel_no, t.elapsed_ms""",
    "evaluations": "SELECT p.run, t.* FROM evaluation t JOIN publish_run p USING (run_id) ORDER BY t.run_id",
    "metrics": f"SELECT p.run, c.name AS channel, {_IN_ORDER}, t.* FROM metric t {_OF_CHANNEL} ORDER BY t.run_id, row_no",
    "limits": f"""SELECT p.run, c.name AS channel, {_IN_ORDER}, t.* FROM limit_result t {_OF_CHANNEL}
        ORDER BY t.run_id, row_no""",
    "findings": f"""SELECT p.run, c.name AS channel, {_IN_ORDER}, t.* FROM finding_row t {_OF_CHANNEL}
        ORDER BY t.run_id, row_no""",
    "inspections": "SELECT p.run, t.* FROM inspection t JOIN publish_run p USING (run_id) ORDER BY t.inspection_id",
    "defects": """SELECT p.run, i.method, i.inspected_at, t.* FROM defect t JOIN publish_run p USING (run_id)
        JOIN inspection i USING (inspection_id) ORDER BY t.defect_id""",
    "choices": """SELECT p.run, t.* FROM comparison_choice t JOIN publish_run p USING (run_id)
        ORDER BY t.comparison_choice_id""",
}
DERIVED = ("evaluations", "metrics", "limits", "findings")
# When something was worked out is no content: judging again to the same result publishes nothing.
_NO_CONTENT = {"evaluations": "EXCLUDE (evaluated_at)"}

_REFERENCE = (
    *("oven", "event", "paste", "jar", "board", "profile", "limit_window", "window_limit", "layout"),
    *("drift_setting", "question", "trial", "trial_run"),
)
_FIRST_KEYS = {"window_limit": "window_id, rowid", "trial_run": "trial_id, run_id"}


@dataclass(frozen=True)
class Published:
    """What a publication did. `removed`: files that no longer count; `runs`: in the data set by this archive."""

    place: str
    runs: int
    partitions: int
    written: int
    removed: int
    bytes_written: int


def publish(
    archive: Archive,
    destination: str | os.PathLike[str],
    *,
    site: str | None = None,
    remove_missing: bool = False,
    progress: Progress | None = None,
) -> Published:
    """Bring the data set at `destination` (a folder, or a URL that fsspec knows) up to what the archive holds.

    `site` goes before the names of this archive's ovens ("Leeds: Oven A"), for sites whose ovens share names; it is
    remembered. `progress(done, of)` counts partitions. Readers see the old state until everything is there.

    Raises ArchiveError: the destination cannot be opened or written; the data set holds runs by this archive that it
    no longer has (an older copy of the archive, perhaps), unless `remove_missing`.
    """
    place = place_of(destination)
    with tempfile.TemporaryDirectory(prefix="ovenbook-publish-") as folder:
        try:
            return _publish(archive, place, Path(folder), site, remove_missing, progress)
        except OSError as error:
            raise ArchiveError(f"{place} cannot be written: {error.strerror or error}") from None


def _publish(
    archive: Archive, place: Place, scratch: Path, site: str | None, remove_missing: bool, progress: Progress | None
) -> Published:
    with archive.connect() as con:
        publisher = publisher_of(con)
        before = read_manifest(place, publisher)
        site = site if site is not None else (before.site if before else None)
        con.execute("BEGIN TRANSACTION READ ONLY")
        schema, zone, counter = schema_version(con), zone_of(con), change_counter(con)
        name_runs(con, site)
        wanted = contents(con, tuple(TABLES))
        reference = _reference_contents(con, site)
        con.execute("COMMIT")
    old = {part.path: part for part in before.parts} if before else {}
    parts: list[Part] = []
    todo: list[tuple[Partition, Contents]] = []
    for (oven, month), (run_ids, digests) in wanted.items():
        path = partition_path(oven, month)
        files = {table: f"{table}/{path}/{publisher}-{digest}.parquet" for table, digest in digests.items()}
        if path in old and old[path].files == files:
            parts.append(old[path])
        else:
            todo.append(((oven, month), (run_ids, digests)))
    if before is not None and not remove_missing:
        kept = {part.path for part in parts}
        _refuse_missing(archive, place, [part for part in before.parts if part.path not in kept], scratch)
    have = before.files() if before else set()
    size = 0
    written: list[str] = []
    for group in _portions(archive, todo, site, counter, scratch, publisher, have):
        for part, files in group:
            for name, file in files.items():
                size += file.stat().st_size
                written.append(name)
                place.put(file, name)
            if part.runs:
                parts.append(part)
            if progress is not None:
                progress(len(parts), len(wanted))
    names: dict[str, str] = {}
    for table, digest in reference.items():
        names[table] = f"reference/{publisher}/{table}-{digest}.parquet"
        if names[table] not in have:
            with archive.connect() as con:
                file = scratch / f"{table}.parquet"
                _copy(con, _reference_rows(table, site), file)
            size += file.stat().st_size
            written.append(names[table])
            place.put(file, names[table])
    place.settle(written)
    parts.sort(key=lambda part: part.path)
    now = Manifest(publisher, schema, zone, site, utc_now().isoformat(), tuple(parts), names)
    if before is None or replace(now, published_at=before.published_at) != before:
        write_manifest(place, now, scratch)
    gone = have - now.files()
    place.remove(sorted(gone))
    return Published(str(place), sum(p.runs for p in parts), len(parts), len(written), len(gone), size)


def _portions(
    archive: Archive,
    todo: list[tuple[Partition, Contents]],
    site: str | None,
    counter: int,
    scratch: Path,
    publisher: str,
    have: set[str],
) -> Iterator[list[tuple[Part, dict[str, Path]]]]:
    """The partitions written into `scratch`, some at a time; between them others get the archive."""
    left = list(todo)
    while left:
        group: list[tuple[Part, dict[str, Path]]] = []
        with archive.connect() as con:
            until = time.monotonic() + _HOLD_S
            while left and time.monotonic() < until:
                partition, known = left.pop(0)
                con.execute("BEGIN TRANSACTION READ ONLY")
                name_runs(con, site, known[0])
                if change_counter(con) != counter:  # somebody wrote meanwhile: what it holds now is what counts
                    known = contents(con, tuple(TABLES)).get(partition, ([], {}))
                    name_runs(con, site, known[0])
                group.append(export(con, partition, known, scratch, publisher, have))
                con.execute("COMMIT")
        yield group


def publisher_of(con: Connection) -> str:
    """The archive's name as a publisher: made from the moment it was created, the same in every copy of it."""
    row = con.execute("SELECT created_at FROM archive_state").fetchone()
    return hashlib.sha256(str(row[0] if row else "").encode()).hexdigest()[:12]


def name_runs(con: Connection, site: str | None, run_ids: Sequence[int] | None = None) -> None:
    """Makes the temporary table `publish_run`: run_id, of_log, run (its name), oven, month, carries_log."""
    chosen, params = ("", []) if run_ids is None else ("WHERE r.run_id IN (SELECT unnest(?::INTEGER[]))", [run_ids])
    # Each log goes with its first run; the window sees all parts before the choice.
    con.execute(
        f"""CREATE OR REPLACE TEMP TABLE publish_run AS
        SELECT r.run_id, r.log_id AS of_log, l.sha256 || '-' || r.part AS run, {_with_site("o.name", site)} AS oven,
               strftime(r.started_at, '%Y-%m') AS month,
               r.part = (SELECT min(part) FROM run q WHERE q.log_id = r.log_id) AS carries_log
        FROM run r JOIN log l USING (log_id) LEFT JOIN oven o USING (oven_id) {chosen}""",
        params,
    )


def _with_site(column: str, site: str | None) -> str:
    return f"{literal(site + ': ')} || {column}" if site else column


def contents(con: Connection, tables: Sequence[str]) -> dict[Partition, Contents]:
    """What each partition of `publish_run` holds, by a hash of its rows in each table that has some."""
    row = con.execute("SELECT min(run_id), max(run_id) FROM publish_run").fetchone()
    first, last = row if row and row[0] is not None else (0, 0)
    out: dict[Partition, Contents] = {
        (oven, month): (run_ids, {})
        for oven, month, run_ids in con.execute(
            "SELECT oven, month, list(run_id ORDER BY run_id) FROM publish_run GROUP BY ALL ORDER BY ALL"
        ).fetchall()
    }
    for table in tables:
        # 64-bit hashes of the rows, added up for each run: in any order, and no row cancels another
        rows = con.execute(
            f"""WITH row_hash AS (SELECT run, hash(x) AS h FROM (SELECT * {_NO_CONTENT.get(table, "")}
                FROM ({TABLES[table].format(first=first, last=last).rpartition("ORDER BY")[0]})) x),
            run_hash AS (SELECT run, sum(h) AS h FROM row_hash GROUP BY run)
            SELECT oven, month, sha256(string_agg(run || '=' || h, ',' ORDER BY run))
            FROM run_hash JOIN publish_run USING (run) GROUP BY ALL"""
        ).fetchall()
        for oven, month, digest in rows:
            out[oven, month][1][table] = digest[:16]
    return out


def export(
    con: Connection,
    partition: Partition,
    known: Contents,
    scratch: Path,
    publisher: str,
    have: Collection[str] = (),
    below: str = "",
) -> tuple[Part, dict[str, Path]]:
    """Writes the rows of `publish_run`, which is of this partition, as Parquet files into `scratch`.

    Returns the part as it will be and {name in the data set: file written}; what is in `have` is not written again.
    `below`: a folder of the data set to name the files in.
    """
    run_ids, digests = known
    names: dict[str, str] = {}
    files: dict[str, Path] = {}
    for table, digest in digests.items():
        names[table] = f"{below}{table}/{partition_path(*partition)}/{publisher}-{digest}.parquet"
        if names[table] not in have:
            files[names[table]] = scratch / f"{table}-{digest}.parquet"
            _copy(con, TABLES[table].format(first=run_ids[0], last=run_ids[-1]), files[names[table]])
    return Part(*partition, len(run_ids), names), files


def _copy(con: Connection, rows: str, to: Path) -> None:
    con.execute(f"COPY ({rows}) TO {literal(str(to))} (FORMAT parquet, COMPRESSION zstd)")


def _reference_rows(table: str, site: str | None) -> str:
    columns = f"t.* REPLACE ({_with_site('t.name', site)} AS name)" if table == "oven" and site else "t.*"
    keys = _FIRST_KEYS.get(table, f"{'window' if table == 'limit_window' else table}_id")
    return f"SELECT row_number() OVER (ORDER BY {keys}) AS row_no, {columns} FROM {table} t ORDER BY row_no"


def _reference_contents(con: Connection, site: str | None) -> dict[str, str]:
    out: dict[str, str] = {}
    for table in _REFERENCE:
        row = con.execute(f"SELECT sum(hash(x))::VARCHAR FROM ({_reference_rows(table, site)}) x").fetchone()
        if row and row[0] is not None:
            out[table] = hashlib.sha256(row[0].encode()).hexdigest()[:16]
    return out


def _refuse_missing(archive: Archive, place: Place, parts: Sequence[Part], scratch: Path) -> None:
    """Runs never leave an archive by themselves: a data set that has more was published from a newer copy of it."""
    files = [str(place.local(part.files["runs"], scratch)) for part in parts if "runs" in part.files]
    if not files:
        return
    with archive.connect() as con:
        row = con.execute(
            """SELECT count(*) FROM read_parquet(?) d WHERE NOT EXISTS (
               SELECT 1 FROM run r JOIN log l USING (log_id) WHERE l.sha256 = d.sha256 AND r.part = d.part)""",
            [files],
        ).fetchone()
    if row and row[0]:
        raise ArchiveError(
            f"{place} holds {row[0]} runs by this archive that it does not have (is it an older copy?): publish from the "
            "newer one, or take them out with --remove-missing"
        )
