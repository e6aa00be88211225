"""The schema's history: numbered .sql files, each applied once, whole or not at all.

An existing archive is copied beside itself before anything changes. An archive with a number this program does not
know is refused: its tables could mean something else.
"""

from __future__ import annotations

import hashlib
import os
import re
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from ingest.archive.clock import local_zone, stored, utc_now
from ingest.archive.connection import Connection, literal
from ingest.archive.errors import ArchiveError
from ingest.archive.repacking import repack_samples

_RECORD = """CREATE TABLE schema_version (
    version INTEGER PRIMARY KEY, name VARCHAR NOT NULL, sha256 VARCHAR NOT NULL, applied_at TIMESTAMP NOT NULL)"""


# What SQL alone cannot do in bounded memory: called after the .sql of this version, in the same transaction.
_FINISHED_BY = {(5, "packed_samples"): repack_samples}


@dataclass(frozen=True)
class Migration:
    version: int
    name: str
    sql: str

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.sql.encode()).hexdigest()


def migrations(folder: Traversable | None = None) -> list[Migration]:
    """The migrations of `folder` (the shipped ones by default), in order: 0001_name.sql, 0002_name.sql, ..."""
    folder = folder or files("ingest.archive") / "migrations"
    found = []
    for entry in folder.iterdir():
        match = re.fullmatch(r"(\d{4})_(\w+)\.sql", entry.name)
        if match:
            found.append(Migration(int(match[1]), match[2], entry.read_text(encoding="utf-8")))
    found.sort(key=lambda m: m.version)
    if [m.version for m in found] != list(range(1, len(found) + 1)):
        raise ArchiveError(f"the migrations must be numbered 1, 2, 3 ...: found {[m.version for m in found]}")
    return found


def schema_version(con: Connection) -> int:
    """The number of the last migration applied, 0 for an empty database. ArchiveError for a stranger's database."""
    tables = {row[0] for row in con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT internal").fetchall()}
    if not tables:
        return 0
    if "schema_version" not in tables:
        raise ArchiveError("this DuckDB file is not an Ovenbook archive: give another --archive")
    row = con.execute("SELECT max(version) FROM schema_version").fetchone()
    return int(row[0]) if row and row[0] is not None else 0


def copy_database(con: Connection, to: Path) -> None:
    """A whole copy of the open archive at `to`, which must not exist; what is committed now, nothing later."""
    row = con.execute("SELECT current_database()").fetchone()
    source = str(row[0]) if row else ""
    con.execute(f"ATTACH {literal(str(to))} AS copy_target")
    try:
        con.execute(f'COPY FROM DATABASE "{source.replace(chr(34), chr(34) * 2)}" TO copy_target')
    finally:
        con.execute("DETACH copy_target")


def copy_name(path: Path, version: int) -> Path:
    """Where the copy made before migration `version` lies."""
    return path.with_name(f"{path.stem}.before-{version:04d}{path.suffix}")


def migrate(con: Connection, path: Path, known: list[Migration] | None = None, zone: str | None = None) -> list[int]:
    """Brings the archive open as `con` up to date; returns the versions applied (usually none).

    Each migration is one transaction together with its row in `schema_version`. Before the first one an archive that
    holds anything is copied to `copy_name(path, version)`. Raises ArchiveError for an archive that is newer.
    """
    known = known if known is not None else migrations()
    have = schema_version(con)
    if have > len(known):
        raise ArchiveError(
            f"{path} was written by a newer Ovenbook (schema {have}, this one knows {len(known)}): "
            "update Ovenbook; nothing was changed"
        )
    todo = [m for m in known if m.version > have]
    if todo and have > 0:
        _keep_copy(con, path, todo[0].version)
    for migration in todo:
        _apply(con, path, migration, zone)
    return [m.version for m in todo]


def _keep_copy(con: Connection, path: Path, version: int) -> None:
    final = copy_name(path, version)
    part = final.with_name(final.name + ".part")
    part.unlink(missing_ok=True)  # of an attempt that was cut off
    copy_database(con, part)
    os.replace(part, final)


def _apply(con: Connection, path: Path, migration: Migration, zone: str | None) -> None:
    now = stored(utc_now())
    con.execute("BEGIN TRANSACTION")
    try:
        if migration.version == 1:
            con.execute(_RECORD)
        con.execute(migration.sql)
        if finish := _FINISHED_BY.get((migration.version, migration.name)):
            finish(con)
        if migration.version == 1:
            con.execute("INSERT INTO archive_state VALUES (?, ?, 0)", [now, zone or local_zone()])
        con.execute(
            "INSERT INTO schema_version VALUES (?, ?, ?, ?)",
            [migration.version, migration.name, migration.sha256, now],
        )
        con.execute("UPDATE archive_state SET change_counter = change_counter + 1")
        con.execute("COMMIT")
    except Exception as error:
        con.execute("ROLLBACK")
        raise ArchiveError(
            f"{path} could not be brought to schema {migration.version} and was left as it was: {error}".splitlines()[0]
        ) from error
