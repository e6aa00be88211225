"""A place beside the archive for logs that cannot be stored at once, so that a bake's log is never lost to a busy file.

A spooled log is two files: the bytes, named by their SHA-256, and a small JSON with name, options and time. Each is
written to a temporary name, flushed to the disk and renamed, bytes first: a log without its JSON was never promised.
What a crash or a damaged disk leaves behind is put right by `repair`, which says what it did.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from ingest.import_result import ImportOptions

DAMAGED = ".damaged"  # ending of what `repair` set aside
_TRIES = 5  # another process may remove the empty folder between making it and writing into it


@dataclass(frozen=True)
class Spooled:
    """One log waiting: its name as given, its bytes on disk, and the options it came with."""

    name: str
    sha256: str
    options: ImportOptions
    received_at: datetime
    bytes_path: Path
    note_path: Path

    def data(self) -> bytes | None:
        """Its bytes; None when they are not what was put in, or another process has stored them meanwhile."""
        try:
            data = self.bytes_path.read_bytes()
        except OSError:
            return None
        return data if hashlib.sha256(data).hexdigest() == self.sha256 else None


def spool_folder(archive_path: str | os.PathLike[str]) -> Path:
    """Where logs wait for this archive: `NAME.duckdb.spool` beside it."""
    path = Path(archive_path)
    return path.with_name(path.name + ".spool")


def put(archive_path: str | os.PathLike[str], data: bytes, name: str, sha256: str, options: ImportOptions) -> Path:
    """Keep a log on disk, safe against power loss when this returns. Returns the path of its bytes.

    Raises OSError when it cannot be kept: no room, no right, or the archive's own folder is not there (it is not made:
    a stick that is pulled out would come back over it).
    """
    folder = spool_folder(archive_path)
    note = {
        "name": name,
        "sha256": sha256,
        "received_at": datetime.now(UTC).isoformat(),
        "options": options.to_json(),
    }
    return _keep(folder, data, sha256, note)


def _keep(folder: Path, data: bytes, sha256: str, note: dict[str, object]) -> Path:
    bytes_path, note_path = folder / f"{sha256}.log", folder / f"{sha256}.json"
    for last in (False,) * (_TRIES - 1) + (True,):
        try:
            made = not folder.exists()
            folder.mkdir(exist_ok=True)
            _write(bytes_path, data)
            _write(note_path, json.dumps(note, ensure_ascii=False, indent=1).encode("utf-8", "surrogateescape"))
            _flush_folder(folder)
            if made:
                _flush_folder(folder.parent)
            break
        except FileNotFoundError:
            if last or not folder.parent.is_dir():
                raise
    return bytes_path


def waiting(archive_path: str | os.PathLike[str]) -> Iterator[Spooled]:
    """The logs that wait, oldest first. What cannot be read is left alone: `repair` sets it aside."""
    found = [
        spooled
        for note_path in spool_folder(archive_path).glob("*.json")
        if (spooled := _spooled(note_path)) is not None
    ]
    yield from sorted(found, key=lambda s: (s.received_at, s.name))


def count(archive_path: str | os.PathLike[str]) -> int:
    """How many logs wait."""
    return sum(1 for note_path in spool_folder(archive_path).glob("*.json") if note_path.with_suffix(".log").exists())


def _spooled(note_path: Path) -> Spooled | None:
    bytes_path = note_path.with_suffix(".log")
    try:
        note = json.loads(note_path.read_text(encoding="utf-8"))
        options = ImportOptions.from_json(note["options"])
        received = datetime.fromisoformat(note["received_at"])
        if note["sha256"] == note_path.stem and bytes_path.is_file() and isinstance(note["name"], str):
            return Spooled(note["name"], note["sha256"], options, received, bytes_path, note_path)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass
    return None


def done(spooled: Spooled) -> None:
    """Remove a log from the spool, once the archive has it. The folder goes with the last one."""
    spooled.note_path.unlink(missing_ok=True)
    spooled.bytes_path.unlink(missing_ok=True)
    with contextlib.suppress(OSError):  # others still wait
        spooled.bytes_path.parent.rmdir()


def repair(archive_path: str | os.PathLike[str]) -> list[str]:
    """Puts right what a crash left in the spool; returns a sentence for each thing done, none when all was well.

    Half-written files were never promised to anybody and are removed. Whole bytes without their note (the note was
    being written, or the log is stored and was being removed) get a plain note: stored already, they are recognised.
    Damaged bytes are set aside under `NAME.damaged`: never taken in as if they were the whole log, never deleted.
    Only at the start of a process: another one that is writing to the spool now would lose its half-written file and
    try again.
    """
    folder = spool_folder(archive_path)
    said: list[str] = []
    for part in sorted(folder.glob("*.part")):
        part.unlink(missing_ok=True)
        said.append(f"{folder.name}/{part.name}: half written when the program ended, never acknowledged: removed")
    for bytes_path in sorted(folder.glob("*.log")):
        if not re.fullmatch(r"[0-9a-f]{64}", bytes_path.stem):
            continue
        note_path = bytes_path.with_suffix(".json")
        sound = hashlib.sha256(bytes_path.read_bytes()).hexdigest() == bytes_path.stem
        if not sound:
            for path in (bytes_path, note_path):
                if path.exists():
                    os.replace(path, path.with_name(path.name + DAMAGED))
            said.append(
                f"{folder.name}/{bytes_path.name}: its bytes are damaged: set aside as {bytes_path.name}{DAMAGED}; "
                "import the log again from where it came from"
            )
        elif _spooled(note_path) is None:
            if note_path.exists():
                os.replace(note_path, note_path.with_name(note_path.name + DAMAGED))
            name = f"spooled-{bytes_path.stem[:12]}"
            note = {
                "name": name,
                "sha256": bytes_path.stem,
                "received_at": datetime.fromtimestamp(bytes_path.stat().st_mtime, UTC).isoformat(),
                "options": {},
            }
            _write(note_path, json.dumps(note).encode())
            said.append(f"{folder.name}/{bytes_path.name}: its note is missing or damaged: it goes in as {name}")
    for note_path in sorted(folder.glob("*.json")):
        if not note_path.with_suffix(".log").exists():
            os.replace(note_path, note_path.with_name(note_path.name + DAMAGED))
            said.append(
                f"{folder.name}/{note_path.name}: its log's bytes are gone: set aside as {note_path.name}{DAMAGED}"
            )
    return said


def _write(path: Path, data: bytes) -> None:
    """Under a name of this writer's own, so that two that keep the same log do not write into one file."""
    part = path.with_name(f"{path.name}.{uuid.uuid4().hex[:12]}.part")
    try:
        with part.open("wb") as f:
            f.write(data)
            f.flush()
            os.fsync(f.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _flush_folder(folder: Path) -> None:
    """Make the renames themselves durable, where the system lets a folder be flushed."""
    if os.name == "posix":
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
