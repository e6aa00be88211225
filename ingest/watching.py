"""A folder that logs are written to: each is taken in once it is complete, once only, and nothing is moved unless told.

A log half written is a wrong verdict waiting to happen, so a file counts as complete only when its size and time were
the same at two looks some seconds apart and, where the system tells (Linux), no program has it open for writing. What
was taken in before is known to the archive by its hash, so nothing needs to be remembered between two starts.
"""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from ingest.archive import Archive, ArchiveError
from ingest.import_result import ImportOptions, ImportResult
from ingest.importing import drain_spool, import_paths
from ingest.keeping import AfterStore
from ingest.members import is_log_candidate, natural_key

SETTLE_S = 2.0  # between the two looks: slow loggers write at least once a second
LOOK_ANYWAY_S = 10.0  # network folders report no changes: look without being told
_UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".filepart", ".download")


def watch(
    archive: Archive,
    folder: str | os.PathLike[str],
    options: ImportOptions | None = None,
    after_store: AfterStore | None = None,
    *,
    move_to: str | os.PathLike[str] | None = None,
    once: bool = False,
    settle_s: float = SETTLE_S,
    stop: threading.Event | None = None,
) -> Iterator[ImportResult]:
    """Take in each log of a folder (and its subfolders) as it becomes complete. Yields one result a log.

    Runs until `stop` is set or the caller leaves off; with `once` it takes in what is there and returns. Files known
    from before the start are passed over in silence. With `move_to`, logs that are stored (or known) are moved there
    afterwards, never over another file; held and rejected ones stay where they are.

    Raises ArchiveError when the folder is none, holds the archive's own file, or the archive cannot be written.
    """
    place = Path(folder).expanduser()
    if not place.is_dir():
        raise ArchiveError(f"{place} is no folder: make it, or name the folder that the logs are written to")
    target = Path(move_to).expanduser() if move_to is not None else None
    if target is not None:
        target.mkdir(parents=True, exist_ok=True)
    options = replace(options or ImportOptions(), source="watch")
    looking = _Looking(place, target, settle_s)
    stop = stop or threading.Event()
    first = not once
    for _ in _ticks(place, looking, stop, once):
        yield from drain_spool(archive, after_store)
        ready = looking.complete(everything=once)
        for result in import_paths(archive, ready, options, after_store):
            path = Path(result.file.split("!")[0]) if "!" in result.file else Path(result.file)
            looking.taken(path)
            if target is not None and result.status in ("stored", "duplicate") and path.is_file():
                _move(path, target)
            if not (first and result.status == "duplicate"):
                yield result
        if ready:
            first = False
        if once and not looking.waiting:
            return


@dataclass
class _Looking:
    """What was seen of each file: its size and time, and since when they are the same."""

    folder: Path
    target: Path | None
    settle_s: float
    waiting: dict[Path, tuple[int, int, float]] = field(default_factory=dict[Path, tuple[int, int, float]])
    done: dict[Path, tuple[int, int]] = field(default_factory=dict[Path, tuple[int, int]])

    def complete(self, everything: bool = False) -> list[Path]:
        """Files that are complete now and not taken yet. With `everything`, an empty file counts as complete too."""
        now = time.monotonic()
        ready: list[Path] = []
        present: set[Path] = set()
        for path in self._candidates():
            try:
                seen = path.stat()
            except OSError:
                continue
            mark = (seen.st_size, seen.st_mtime_ns)
            if self.done.get(path) == mark or (seen.st_size == 0 and not everything):
                continue
            present.add(path)
            before = self.waiting.get(path)
            if before is None or before[:2] != mark:
                self.waiting[path] = (*mark, now)
            elif now - before[2] >= self.settle_s and not _open_for_writing(path):
                ready.append(path)
        for gone in set(self.waiting) - present:
            del self.waiting[gone]
        return sorted(ready, key=natural_key)

    def taken(self, path: Path) -> None:
        before = self.waiting.pop(path, None)
        if before is not None:
            self.done[path] = before[:2]

    def _candidates(self) -> Iterator[Path]:
        try:
            for path in self.folder.rglob("*"):
                unfinished = path.name.startswith("~") or path.name.lower().endswith(_UNFINISHED)
                moved = self.target is not None and path.is_relative_to(self.target)
                if not unfinished and not moved and is_log_candidate(path, self.folder):
                    yield path
        except OSError:
            return  # a folder on a stick that was pulled out: look again later


def _ticks(folder: Path, looking: _Looking, stop: threading.Event, once: bool) -> Iterator[None]:
    """Moments to look: at once, when the system reports a change, while a file settles, and now and then anyway."""
    pause = min(looking.settle_s / 2, 1.0)
    yield
    if once:
        while not stop.wait(pause):
            yield
        return
    from watchfiles import watch as changes

    last = time.monotonic()
    tick_ms = max(50, int(pause * 1000))
    try:
        for changed in changes(
            folder, stop_event=stop, rust_timeout=tick_ms, yield_on_timeout=True, debounce=200, step=50
        ):
            if changed or looking.waiting or time.monotonic() - last > LOOK_ANYWAY_S:
                last = time.monotonic()
                yield
    except FileNotFoundError:
        pass
    while not stop.wait(pause):  # the system stopped reporting (folder gone): look by the clock
        if looking.waiting or time.monotonic() - last > LOOK_ANYWAY_S:
            last = time.monotonic()
            yield


def _open_for_writing(path: Path) -> bool:
    """True when a program is known to have the file open for writing. False where the system does not tell."""
    processes = Path("/proc")
    try:
        wanted = path.stat()
        numbers = [p for p in os.listdir(processes) if p.isdecimal()]
    except OSError:
        return False
    for number in numbers:
        try:
            for fd in os.listdir(processes / number / "fd"):
                seen = os.stat(processes / number / "fd" / fd)
                if (seen.st_dev, seen.st_ino) != (wanted.st_dev, wanted.st_ino):
                    continue
                info = (processes / number / "fdinfo" / fd).read_text()
                flags = int(info.split("flags:")[1].split()[0], 8)
                if flags & os.O_ACCMODE != os.O_RDONLY:
                    return True
        except (OSError, IndexError, ValueError):
            continue  # another user's program, or one that has just ended
    return False


def _move(path: Path, target: Path) -> None:
    place, number = target / path.name, 2
    while place.exists():
        place, number = target / f"{path.stem} ({number}){path.suffix}", number + 1
    shutil.move(path, place)
