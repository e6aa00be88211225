"""A place beside the archive for logs that cannot be stored at once, so that a bake's log is never lost to a busy file.

A spooled log is two files: the bytes, named by their SHA-256, and a small JSON with name, options and time. Each is
written to a temporary name, flushed to the disk and renamed, bytes first: a log without its JSON was never promised.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from ingest.import_result import ImportOptions


@dataclass(frozen=True)
class Spooled:
    """One log waiting: its name as given, its bytes on disk, and the options it came with."""

    name: str
    sha256: str
    options: ImportOptions
    received_at: datetime
    bytes_path: Path
    note_path: Path

    def data(self) -> bytes:
        return self.bytes_path.read_bytes()


def spool_folder(archive_path: str | os.PathLike[str]) -> Path:
    """Where logs wait for this archive: `NAME.duckdb.spool` beside it."""
    path = Path(archive_path)
    return path.with_name(path.name + ".spool")


def put(archive_path: str | os.PathLike[str], data: bytes, name: str, sha256: str, options: ImportOptions) -> Path:
    """Keep a log on disk, safe against power loss when this returns. Returns the path of its bytes."""
    folder = spool_folder(archive_path)
    folder.mkdir(parents=True, exist_ok=True)
    bytes_path, note_path = folder / f"{sha256}.log", folder / f"{sha256}.json"
    note = {
        "name": name,
        "sha256": sha256,
        "received_at": datetime.now(UTC).isoformat(),
        "options": options.to_json(),
    }
    _write(bytes_path, data)
    _write(note_path, json.dumps(note, ensure_ascii=False, indent=1).encode())
    _flush_folder(folder)
    return bytes_path


def waiting(archive_path: str | os.PathLike[str]) -> Iterator[Spooled]:
    """The logs that wait, oldest first. A note that cannot be read is left alone for a person to look at."""
    folder = spool_folder(archive_path)
    if not folder.is_dir():
        return
    found: list[Spooled] = []
    for note_path in folder.glob("*.json"):
        bytes_path = note_path.with_suffix(".log")
        try:
            note = json.loads(note_path.read_text(encoding="utf-8"))
            options = ImportOptions.from_json(note["options"])
            received = datetime.fromisoformat(note["received_at"])
            if bytes_path.is_file():
                found.append(Spooled(note["name"], note["sha256"], options, received, bytes_path, note_path))
        except (OSError, ValueError, KeyError, TypeError):
            continue
    yield from sorted(found, key=lambda s: (s.received_at, s.name))


def done(spooled: Spooled) -> None:
    """Remove a log from the spool, once the archive has it. The folder goes with the last one."""
    spooled.note_path.unlink(missing_ok=True)
    spooled.bytes_path.unlink(missing_ok=True)
    try:
        spooled.bytes_path.parent.rmdir()
    except OSError:
        return  # others still wait


def _write(path: Path, data: bytes) -> None:
    part = path.with_name(path.name + ".part")
    with part.open("wb") as f:
        f.write(data)
        f.flush()
        os.fsync(f.fileno())
    os.replace(part, path)


def _flush_folder(folder: Path) -> None:
    """Make the renames themselves durable, where the system lets a folder be flushed."""
    if os.name == "posix":
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
