"""The archive: one DuckDB file that holds every log, run, board, paste and what was found.

`open_archive` is the door. Functions that read or write take an open connection:

    archive = open_archive()
    with archive.transaction() as con:
        store_log(con, entry, recordings)

Original bytes are never changed; everything else about a log can be made again from them.
"""

from __future__ import annotations

import os
from pathlib import Path

from ingest.archive.clock import known_zone
from ingest.archive.connection import Archive, Connection, connect, patience_s
from ingest.archive.errors import ArchiveBusy, ArchiveError, DuplicateLog
from ingest.archive.migrate import Migration, migrate, migrations, schema_version

__all__ = ["Archive", "ArchiveBusy", "ArchiveError", "Connection", "DuplicateLog", "default_path", "open_archive"]


# Set in the environment to why: every archive is then opened for reading only. Used where pages show a published data set.
READING_ONLY = "OVENBOOK_READING_ONLY"


def default_path() -> Path:
    """`OVENBOOK_ARCHIVE` if set, else archive.duckdb in the platform's folder for user data."""
    named = os.environ.get("OVENBOOK_ARCHIVE")
    if named:
        return Path(named)
    import platformdirs

    return Path(platformdirs.user_data_path("ovenbook", appauthor=False)) / "archive.duckdb"


def open_archive(
    path: str | os.PathLike[str] | None = None,
    *,
    create: bool = True,
    zone: str | None = None,
    known: list[Migration] | None = None,
) -> Archive:
    """The archive at `path` (else `default_path()`), brought up to date and ready to use.

    `create`: make a new one when there is none; only the default place's folder is made, a named folder must be there
    (a stick that is not plugged in shall not turn into an empty archive). `zone`: IANA zone of a new archive, this
    computer's by default. `known`: the migrations, the shipped ones by default.

    Raises ArchiveError: not there, not an archive, no rights, held by another program, written by a newer Ovenbook.
    """
    known = known if known is not None else migrations()
    if zone is not None:
        known_zone(zone)
    place = Path(path if path is not None else default_path()).expanduser().resolve()
    if place.is_dir():
        raise ArchiveError(f"{place} is a folder: give the archive's file")
    exists = place.exists()
    if not exists:
        if not create:
            raise ArchiveError(f"there is no archive at {place}: import a log to make one, or give another --archive")
        if path is None and "OVENBOOK_ARCHIVE" not in os.environ:
            place.parent.mkdir(parents=True, exist_ok=True)
        if not place.parent.is_dir():
            raise ArchiveError(f"the folder {place.parent} is not there: make it, or give another --archive")
    reading_only = os.environ.get(READING_ONLY)
    writable = os.access(place, os.W_OK) and os.access(place.parent, os.W_OK)
    read_only = exists and (reading_only is not None or not writable)
    archive = Archive(place, read_only=read_only, reading_only=reading_only)
    with connect(place, wait_s=patience_s(), read_only=read_only) as con:
        if read_only and schema_version(con) < len(known):
            raise ArchiveError(
                f"{place} is of an earlier Ovenbook and cannot be brought up to date here: no right to write"
            )
        migrate(con, place, known, zone)
    return archive
