"""Copies of the archive, and making it again from its original bytes."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ingest.archive.connection import Archive, Connection, attached
from ingest.archive.errors import ArchiveError
from ingest.archive.layouts import known_layouts
from ingest.archive.log_rows import LogRow, get_log, log_ids, original_bytes
from ingest.archive.migrate import copy_database, copy_name, migrate, migrations, schema_version
from ingest.archive.rereading import confirm_runs, replace_runs
from ingest.archive.runs import load_recording, load_recordings, run_fields
from ingest.archive.verify import verify
from ingest.recording import Channel, LayoutFound, Reading, Recording

# How long rebuilding holds the archive before others get their turn [s].
_HOLD_S = 0.5
_LOGS_AT_ONCE = 20


@dataclass(frozen=True)
class Copied:
    """A copy that was made and checked."""

    path: Path
    logs: int
    runs: int
    bytes: int

    def __str__(self) -> str:
        return f"{self.path}: {self.logs} logs, {self.runs} runs, {self.bytes / 1e6:.1f} MB, checked"


def backup(archive: Archive, to: str | os.PathLike[str]) -> Copied:
    """A whole, checked copy of the archive at `to`, also while others use it (they wait while it is copied).

    The copy has its name only once it has been read through and found sound, and as complete as the archive.
    Raises ArchiveError: `to` exists, its folder does not, the disk is full; or the copy is not sound (then it is kept
    beside, as NAME.unsound).
    """
    place = _new_place(to)
    with _part(place) as part:
        if archive.read_only:
            counts = _copy_at_rest(archive.path, part)
        else:
            with archive.exclusive() as con:
                counts = _counts(con)
                _copy_in_use(con, archive.path, part)
        return _finish(part, place, counts)


def restore(source: str | os.PathLike[str], to: str | os.PathLike[str]) -> Copied:
    """Makes an archive at `to` from a copy; the copy stays as it is. Never overwrites.

    A copy made by an earlier Ovenbook is brought up to date on the way. Raises ArchiveError: the
    copy is not there, not an archive, not sound, or of a newer Ovenbook; `to` or its folder as in `backup`.
    """
    origin = Path(source).expanduser().resolve()
    if not origin.is_file():
        raise ArchiveError(f"there is no file {origin}")
    place = _new_place(to)
    with _part(place) as part:
        return _finish(part, place, _copy_at_rest(origin, part))


# Copies the files named in pairs; run in a process of its own.
_COPY_FILES = """
import os, shutil, sys
for source, to in zip(sys.argv[1::2], sys.argv[2::2]):
    shutil.copyfile(source, to)
    with open(to, "rb+") as copy:
        os.fsync(copy.fileno())
"""


def _copy_in_use(con: Connection, path: Path, part: Path) -> None:
    """Copies the archive that this process has open and nobody writes to.

    File by file, ten times as quick as row by row, so that others wait less; by a child process, because this one would
    lose its lock on the file by closing it. What is not yet in the file is in its .wal, which is copied with it and
    absorbed when the copy is opened. Where the system forbids reading a file that is in use: row by row.
    """
    pairs = [str(path), str(part)]
    log = path.with_name(path.name + ".wal")
    if log.exists():
        pairs += [str(log), str(part.with_name(part.name + ".wal"))]
    copied = subprocess.run([sys.executable, "-c", _COPY_FILES, *pairs], capture_output=True, text=True, check=False)
    if copied.returncode == 0:
        return
    if "No space left" in copied.stderr or "Disk quota" in copied.stderr:
        raise ArchiveError(f"there is no room for the copy in {part.parent}: make room or give another place")
    for left in (part, part.with_name(part.name + ".wal")):
        left.unlink(missing_ok=True)
    copy_database(con, part)


def _copy_at_rest(source: Path, part: Path) -> dict[str, int]:
    """Copies an archive file that is not to be written to; returns its row counts."""
    with attached(source) as con:
        version = schema_version(con)
        if version == 0:
            raise ArchiveError(f"{source} holds no archive")
        if version > len(migrations()):
            raise ArchiveError(f"{source} was written by a newer Ovenbook: update Ovenbook; nothing was changed")
        copy_database(con, part)
        return _counts(con)


def _new_place(to: str | os.PathLike[str]) -> Path:
    place = Path(to).expanduser().resolve()
    if not place.parent.is_dir():
        raise ArchiveError(f"the folder {place.parent} is not there: make it first")
    # A left-over .wal would be taken for this archive's and played into it.
    for taken in (place, place.with_name(place.name + ".wal")):
        if taken.exists():
            raise ArchiveError(f"{taken} exists already: move it away or give another name")
    return place


@contextlib.contextmanager
def _part(place: Path) -> Iterator[Path]:
    """A name beside `place` to write under; whatever is left there afterwards is removed."""
    part = place.with_name(place.name + ".part")
    leavings = (part, part.with_name(part.name + ".wal"))
    for left in leavings:
        left.unlink(missing_ok=True)
    try:
        yield part
    finally:
        for left in leavings:
            left.unlink(missing_ok=True)


def _counts(con: Connection) -> dict[str, int]:
    tables = [
        row[0]
        for row in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database() AND NOT internal ORDER BY 1"
        ).fetchall()
    ]
    return {table: _count(con, table) for table in tables}


def _count(con: Connection, table: str) -> int:
    row = con.execute(f'SELECT count(*) FROM "{table}"').fetchone()
    return int(row[0]) if row else 0


def _finish(part: Path, place: Path, counts: dict[str, int]) -> Copied:
    copy = Archive(part)
    with copy.connect() as con:
        found = _counts(con)
    if found != counts:
        lost = [table for table in counts if found.get(table) != counts[table]]
        raise ArchiveError(f"the copy is not complete ({', '.join(lost)}): it was thrown away, try again")
    with copy.connect() as con:
        # A copy made by an earlier Ovenbook is checked by today's rules, so it is brought up to today's schema first;
        # the file it was restored from is the copy to go back to.
        for version in migrate(con, part):
            copy_name(part, version).unlink(missing_ok=True)
    problems = verify(copy)
    if problems:
        # A copy of a damaged archive may be the best there is: kept, but never under the name of a sound one.
        unsound = place.with_name(f"{place.stem}.unsound{place.suffix}")
        os.replace(part, unsound)
        raise ArchiveError(
            f"the copy has {len(problems)} problems and is kept as {unsound.name} (first: {problems[0].text}): "
            "run `ovenbook verify` for all of them"
        )
    os.replace(part, place)
    _flush_folder(place.parent)
    return Copied(place, counts["log"], counts["run"], place.stat().st_size)


def _flush_folder(folder: Path) -> None:
    """Makes the new name last through a power cut, where the system lets a folder be flushed."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


# Making it again ---------------------------------------------------------------------------------------------------


@dataclass
class Rebuilt:
    """What rebuilding did. `changed`: runs whose samples or channels came out differently; `kept`: log number -> why its
    runs were left as they were."""

    logs: int = 0
    runs: int = 0
    changed: list[int] = field(default_factory=list[int])
    kept: dict[int, str] = field(default_factory=dict[int, str])

    def __str__(self) -> str:
        text = f"{self.logs} logs read again, {self.runs} runs evaluated, {len(self.changed)} came out differently"
        if self.kept:
            first = next(iter(self.kept.items()))
            text += f"; {len(self.kept)} logs kept as they were (first: log {first[0]}, {first[1]})"
        return text


def rebuild(
    archive: Archive,
    reader: Callable[..., Sequence[Reading]],
    evaluate: Callable[[Connection, int, Recording], Any] | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
    who: str | None = None,
    reader_version: str | None = None,
) -> Rebuilt:
    """Makes every run of every stored log again from its original bytes, and evaluates it.

    `reader(data, name, answers=, layouts=, zone=)` as `ingest.reading.read_log`; `evaluate(con, run_id, recording)`
    writes the evaluation; `progress(done, of)`; `reader_version` is kept with each log, the reader's own by default.
    Run numbers, inspections and what people typed stay. A log that can no longer be read keeps its runs, with the
    reason in `kept`. One transaction a log: stopping half way loses nothing, and the next call starts afresh. Other
    programs get the archive every half second.
    """
    if reader_version is None:
        from ingest.reading import READER_VERSION

        reader_version = READER_VERSION
    done = Rebuilt()
    with archive.connect() as con:
        ids = log_ids(con, "stored")
        layouts = [found for _, found in known_layouts(con)]
    for start in range(0, len(ids), _LOGS_AT_ONCE):
        portion = ids[start : start + _LOGS_AT_ONCE]
        work = list(_read_portion(archive, portion, reader, layouts, done))
        while work:
            with archive.connect() as con:
                until = time.monotonic() + _HOLD_S
                while work and time.monotonic() < until:
                    _make_again(archive, con, *work.pop(0), evaluate, done, who, reader_version)
        if progress is not None:
            progress(start + len(portion), len(ids))
    return done


def _read_portion(
    archive: Archive,
    ids: Sequence[int],
    reader: Callable[..., Sequence[Reading]],
    layouts: Sequence[LayoutFound],
    done: Rebuilt,
) -> Iterator[tuple[LogRow, Reading]]:
    kept: list[tuple[LogRow, bytes]] = []
    with archive.connect() as con:
        for log_id in ids:
            try:
                kept.append((get_log(con, log_id), original_bytes(con, log_id)))
            except ArchiveError as error:
                done.kept[log_id] = str(error)
    for row, data in kept:
        readings = reader(data, row.file_name, answers=row.answers, layouts=layouts, zone=archive.zone)
        if len(readings) == 1 and readings[0].status == "read":
            yield row, readings[0]
        elif len(readings) == 1:
            asked = ", ".join(question.id for question in readings[0].questions)
            done.kept[row.log_id] = readings[0].reason or f"questions are open: {asked}"
        else:
            done.kept[row.log_id] = f"it reads as {len(readings)} logs"


def _make_again(
    archive: Archive,
    con: Connection,
    row: LogRow,
    reading: Reading,
    evaluate: Callable[[Connection, int, Recording], Any] | None,
    done: Rebuilt,
    who: str | None,
    reader_version: str,
) -> None:
    try:
        with archive.transaction(con):
            changed = _changed(con, row, reading.recordings)
            if changed:
                run_ids = replace_runs(
                    con, row.log_id, reading.recordings, reader_version=reader_version, who=who, why="rebuilt"
                )
            else:
                run_ids = list(row.runs)
                confirm_runs(con, row.log_id, reader_version)
            if evaluate is not None:
                for run_id in run_ids:
                    evaluate(con, run_id, load_recording(con, run_id))
    except ArchiveError as error:
        done.kept[row.log_id] = str(error)
        return
    done.logs += 1
    done.runs += len(run_ids)
    done.changed += [run_ids[i] for i in changed if i < len(run_ids)]


def _changed(con: Connection, row: LogRow, recordings: Sequence[Recording]) -> list[int]:
    """Which parts came out differently, by position; all of them when the stored samples cannot be read."""
    everything = list(range(max(len(recordings), len(row.runs))))
    if len(recordings) != len(row.runs):
        return everything
    try:
        before = dict(load_recordings(con, row.runs))
    except ArchiveError:
        return everything
    return [
        i
        for i, (run_id, new) in enumerate(zip(row.runs, recordings, strict=True))
        if not _same(before[run_id], new, _start_is_the_logs(con, run_id))
    ]


def _start_is_the_logs(con: Connection, run_id: int) -> bool:
    start = run_fields(con, run_id).get("started_at")
    return start is None or start.origin == "derived"


def _same(a: Recording, b: Recording, with_start: bool) -> bool:
    if with_start and (a.started_at, a.zone if a.started_at else None) != (
        b.started_at,
        b.zone if b.started_at else None,
    ):
        return False
    return (
        (a.first_line, a.last_line, a.notices, len(a.channels))
        == (b.first_line, b.last_line, b.notices, len(b.channels))
        and np.array_equal(a.elapsed_s, b.elapsed_s)
        and all(_same_channel(x, y) for x, y in zip(a.channels, b.channels, strict=True))
    )


def _same_channel(a: Channel, b: Channel) -> bool:
    plain = ("name", "role", "unit_original", "judged", "labels", "faults", "confidence", "reasons")
    return all(getattr(a, name) == getattr(b, name) for name in plain) and np.array_equal(
        a.values, b.values, equal_nan=True
    )
