"""The logs of an import, as bytes in batches: files, members of zips, and what cannot be read at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from ingest.import_result import ImportOptions
from ingest.members import is_archive_file, members

BATCH_LOGS = 320  # some 0.6 s of storing: between two of them others get the archive and the progress bar moves
BATCH_BYTES = 16 * 1024 * 1024  # keeps memory bounded on folders of large logs
MAX_FILE_BYTES = 1024 * 1024 * 1024  # a file beyond is a disk image or a database, not a log


@dataclass(frozen=True)
class Incoming:
    """One log to take in. `file` is how the caller knows it, `name` what the archive calls it."""

    file: str
    name: str
    data: bytes
    options: ImportOptions
    problem: str | None = None  # why it cannot even be read


def incoming(
    archive_path: Path,
    files: Sequence[tuple[Path | None, str]],
    options: ImportOptions,
    options_for: Callable[[Path, str], ImportOptions | None] | None,
) -> Iterator[Incoming]:
    """The logs in `files` (path, name), read one after the other; a path of None is a file that is not there."""
    for path, name in files:
        if path is None:
            yield Incoming(name, name, b"", options, "there is no such file")
            continue
        if is_archive_file(archive_path, path):
            # Never opened here: closing it would drop the lock that other threads of this process rely on.
            yield Incoming(str(path), name, b"", options, "this is the archive itself, not a log")
            continue
        try:
            size = path.stat().st_size
            data = path.read_bytes() if size <= MAX_FILE_BYTES else b""
        except OSError as error:
            yield Incoming(str(path), name, b"", options, f"the file cannot be read ({error.strerror or error})")
            continue
        if size > MAX_FILE_BYTES:
            too_large = f"the file is larger than {MAX_FILE_BYTES // 1024**2} MB: no log"
            yield Incoming(str(path), name, b"", options, too_large)
            continue
        for member in members(data, name):
            own = options if options_for is None else options_for(path, member.name)
            if own is not None:
                yield Incoming(str(path) + member.name[len(name) :], member.name, member.data, own, member.problem)


def batches(logs: Iterator[Incoming]) -> Iterator[list[Incoming]]:
    """The logs in portions that are read and stored at a time."""
    batch: list[Incoming] = []
    size = 0
    for log in logs:
        batch.append(log)
        size += len(log.data)
        if len(batch) >= BATCH_LOGS or size >= BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch
