"""Another Ovenbook archive taken over into this one: two workshops that become a shop, or a copy that went its own way.

Logs are matched by the hash of their bytes, runs by their part of the log, ovens, pastes, boards and jars by name. What
is here is never overwritten; what both know differently is shown. A second time brings only what is new. Not taken over:
who may sign in, answers to drift calls (they name run numbers of the other archive).

The other file is opened by DuckDB alone, attached read-only: reading it by other means would drop the lock of a program
in the same process that has it open.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ingest.archive import Archive, ArchiveBusy, ArchiveError, open_archive
from ingest.archive.adopted_runs import adopt_logs, adopt_looked_at, adopt_metadata, start_logs
from ingest.archive.adoption import Adoption, Conflict, adopt_reference
from ingest.archive.connection import Connection, attached, literal
from ingest.archive.migrate import copy_database, migrations, schema_version
from ingest.members import is_archive_file

LOGS_AT_ONCE = 200  # about a second: between two portions others get the archive


@dataclass(frozen=True)
class Merged:
    """What came in from another archive. `added`: what -> how many; `filled`: values that were unknown here before."""

    file: str
    added: dict[str, int] = field(default_factory=dict[str, int])
    filled: int = 0
    known_runs: int = 0
    conflicts: tuple[Conflict, ...] = ()

    def to_json(self) -> dict[str, Any]:
        return {
            "archive": self.file,
            "added": self.added,
            "filled": self.filled,
            "known_runs": self.known_runs,
            "conflicts": [vars(conflict) for conflict in self.conflicts],
        }


def merge_archive(
    archive: Archive,
    path: str | os.PathLike[str],
    *,
    who: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Merged:
    """Take over everything of the archive at `path` that this one does not have; `path` stays as it is.

    A portion of logs is one transaction: stopped half way, whole logs are in and the same call takes the rest.
    `progress(done, of)` counts logs. Raises ArchiveError: `path` is no archive, this archive itself, of a newer
    Ovenbook, or held by another program.
    """
    origin = Path(path).expanduser().resolve()
    if not origin.is_file():
        raise ArchiveError(f"there is no file {origin}")
    if is_archive_file(archive.path, origin):
        raise ArchiveError(f"{origin} is the archive itself: give another one to take over")
    if archive.read_only:
        raise ArchiveError(f"{archive.path} cannot be written here: check the rights of the file and its folder")
    done: list[Adoption] = []
    taken = known = 0
    with _readable(origin) as source:
        while True:
            with archive.connect() as con, _beside(con, source):
                adoption = Adoption(con, who)
                with archive.transaction(con):
                    adopt_reference(adoption)  # the second time it only finds again what is here by now
                    left = start_logs(adoption)
                    adopt_logs(adoption, left[:LOGS_AT_ONCE])
                    if not done:
                        row = con.execute("SELECT count(*) FROM both_run").fetchone()
                        known = int(row[0]) if row else 0
                    if len(left) <= LOGS_AT_ONCE:
                        adopt_metadata(adoption)
                        adopt_looked_at(adoption)
            done.append(adoption)
            taken += min(len(left), LOGS_AT_ONCE)
            if progress is not None:
                progress(taken, taken + max(0, len(left) - LOGS_AT_ONCE))
            if len(left) <= LOGS_AT_ONCE:
                break
    added: dict[str, int] = {}
    for adoption in done:
        for what, number in adoption.added.items():
            added[what] = added.get(what, 0) + number
    conflicts = dict.fromkeys(conflict for adoption in done for conflict in adoption.conflicts)
    return Merged(str(origin), added, sum(adoption.filled for adoption in done), known, tuple(conflicts))


@contextlib.contextmanager
def _readable(origin: Path) -> Iterator[Path]:
    """The file, or, when an earlier Ovenbook wrote it, a copy brought up to date."""
    with attached(origin) as con:
        version = schema_version(con)
    if version == 0:
        raise ArchiveError(f"{origin} holds no archive")
    if version > len(migrations()):
        raise ArchiveError(f"{origin} was written by a newer Ovenbook: update Ovenbook; nothing was changed")
    if version == len(migrations()):
        yield origin
        return
    with tempfile.TemporaryDirectory(prefix="ovenbook-import-") as folder:
        copy = Path(folder) / "copy.duckdb"
        with attached(origin) as con:
            copy_database(con, copy)
        open_archive(copy)
        yield copy


@contextlib.contextmanager
def _beside(con: Connection, source: Path) -> Iterator[None]:
    """The file as `other` beside this archive."""
    try:
        con.execute(f"ATTACH {literal(str(source))} AS other (READ_ONLY)")
    except Exception as error:
        if "Could not set lock" in str(error):
            raise ArchiveBusy(f"{source} is held by another program: wait for it to finish or stop it") from None
        raise
    try:
        yield
    finally:
        con.execute("DETACH other")
