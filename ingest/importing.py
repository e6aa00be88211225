"""From bytes to runs: hash, recognise what is known, read, and store each log in one transaction.

    files, folders, globs, bytes
        -> members (a zip is several logs)         ingest.members
        -> SHA-256: stored already? then no more   here
        -> reading, with the remembered layouts    ingest.reading
        -> metadata with origins                   ingest.metadata
        -> log + bytes + runs + samples + evaluation land together, or held with questions, or rejected
                                                   ingest.keeping, ingest.archive

Files are read once and never touched. Reading a log needs no archive, so the archive is open only to look up hashes and
to store: at most about half a second at a time, with many logs each time, and other programs get their turn between.
A log that finds the archive held by another program for too long waits in the spool beside it (ingest.spool).
"""

from __future__ import annotations

import hashlib
import logging
import os
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from ingest import spool
from ingest.answering import answer_log, correct_layout
from ingest.archive import Archive, ArchiveBusy, ArchiveError, Connection, DuplicateLog
from ingest.archive.connection import zone_of
from ingest.archive.gathered import Numbers
from ingest.archive.growth import log_that_holds_it
from ingest.import_result import ChannelResult, ImportOptions, ImportResult, RunResult
from ingest.keeping import AfterStore, Existing, Incoming, existing_log, existing_logs, keep, known_result
from ingest.known_names import Given, OptionsError, look_up
from ingest.later import keep_for_later
from ingest.layout_memory import remembered
from ingest.members import MAX_ZIP_BYTES, find_files, is_archive_file, members
from ingest.readers import Readers, readers_for
from ingest.recording import LayoutFound, Notice, Reading
from ingest.together import Together, easy_ones
from ingest.understanding import understand

__all__ = [
    "ChannelResult",
    "ImportOptions",
    "ImportResult",
    "OptionsError",
    "RunResult",
    "answer_log",
    "correct_layout",
    "drain_spool",
    "import_bytes",
    "import_paths",
    "put_off",
]

Progress = Callable[[ImportResult], None]

BATCH_LOGS = 40  # between two of them others get the archive and the progress bar moves
BATCH_BYTES = 16 * 1024 * 1024  # keeps memory bounded on folders of large logs
QUICK_BYTES = 1024 * 1024  # one log up to this size is read while the archive is open: one opening less
HOLD_S = 0.5  # longest time the archive is kept open for storing: a page or command beside us waits no longer
MAX_FILE_BYTES = 1024 * 1024 * 1024  # a file beyond is a disk image or a database, not a log


def import_bytes(
    archive: Archive,
    data: bytes,
    name: str,
    options: ImportOptions | None = None,
    after_store: AfterStore | None = None,
    *,
    wait_s: float = 10.0,
    max_unpacked: int = MAX_ZIP_BYTES,
) -> list[ImportResult]:
    """Take in one log, or the logs of one zip (of which at most `max_unpacked` bytes are unpacked). One result a log.

    `after_store(con, run_id, recording)` runs inside the log's transaction; its `.verdict` goes into the result.
    Held by another program for longer than `wait_s` [s]: the log is put in the spool and the result says so.

    Raises
    ------
    OptionsError
        When the options name something unknown; nothing is stored then.
    ArchiveError
        When the archive cannot be written for another reason than being held.
    """
    options = options or ImportOptions()
    if not options.dry_run:
        drain_spool(archive, after_store, wait_s=wait_s)
    logs = [Incoming(m.name, m.name, m.data, options, m.problem) for m in members(data, name, max_bytes=max_unpacked)]
    _one_start_for_one_log(options, len(logs))
    return _Taking(archive, after_store, wait_s, alone=len(logs) == 1).take(logs)


def import_paths(
    archive: Archive,
    paths: Iterable[str | os.PathLike[str]],
    options: ImportOptions | None = None,
    after_store: AfterStore | None = None,
    progress: Progress | None = None,
    *,
    wait_s: float = 10.0,
    options_for: Callable[[Path, str], ImportOptions | None] | None = None,
    readers: int | None = 0,
) -> Iterator[ImportResult]:
    """Take in files, folders (with their subfolders) and globs. Yields one result a log, as they are done.

    Each log lands as a whole or not at all, and its result comes only when it is on disk; new logs share a transaction,
    some dozens at a time (ingest.together). When the caller stops (Ctrl-C), whole logs are in and no half ones; the same
    call again takes the rest. A log that was stored before is recognised by its hash without being read.
    `options_for(path, name)` gives the options for one log instead of `options`; None leaves it out. `readers` other
    processes read ahead (None: as many as pay; see ingest.readers). Errors as `import_bytes`.
    """
    options = options or ImportOptions()
    if not options.dry_run:
        drain_spool(archive, after_store, wait_s=wait_s)
    files = list(find_files(paths))
    _one_start_for_one_log(options, len(files))
    with Readers(readers_for(len(files)) if readers is None else readers) as reading:
        taking = _Taking(archive, after_store, wait_s, alone=len(files) == 1, reading=reading)
        begun: deque[_Begun] = deque()
        try:
            for batch in _batches(_incoming(archive.path, files, options, options_for)):
                begun.append(taking.begin(batch))
                if len(begun) > reading.ahead:
                    yield from _said(taking.finish(begun.popleft()), progress)
        except OptionsError:  # one of the files ahead: those before it are taken in first
            while begun:
                yield from _said(taking.finish(begun.popleft()), progress)
            raise
        while begun:
            yield from _said(taking.finish(begun.popleft()), progress)


def put_off(
    archive_path: str | os.PathLike[str],
    paths: Iterable[str | os.PathLike[str]],
    options: ImportOptions,
    busy: ArchiveBusy,
) -> Iterator[ImportResult]:
    """`import_paths` for an archive that could not even be opened, because another program holds it.

    Every log waits in the spool; the names in `options` are looked up when it is stored. Errors as `keep_for_later`.
    """
    files = list(find_files(paths))
    _one_start_for_one_log(options, len(files))
    return keep_for_later(archive_path, _incoming(Path(archive_path), files, options, None), busy)


def _said(results: Iterable[ImportResult], progress: Progress | None) -> Iterator[ImportResult]:
    for result in results:
        if progress is not None:
            progress(result)
        yield result


def _one_start_for_one_log(options: ImportOptions, logs: int) -> None:
    if options.started_at is not None and logs > 1:
        raise OptionsError(f"a start is of one log, and {logs} were given: use --metadata with a sheet for several")


def drain_spool(archive: Archive, after_store: AfterStore | None = None, *, wait_s: float = 10.0) -> list[ImportResult]:
    """Store what waits in the spool, oldest first. A log leaves the spool only when the archive has answered for it.

    Ends early, without an error, when the archive cannot be written: what is left waits on.
    """
    results: list[ImportResult] = []
    for waiting in spool.waiting(archive.path):
        data = waiting.data()
        if data is None:  # stored by another process meanwhile, or damaged: spool.repair sees to that
            continue
        taking = _Taking(archive, after_store, wait_s, alone=True, received_at=waiting.received_at, spooling=False)
        try:
            result = taking.take_spooled(waiting, data)
        except ArchiveError:
            break
        except Exception as fault:
            if "interrupted" in str(fault).lower():  # how Ctrl-C inside a query looks
                raise
            # A slip in the code that this one log brings out: it waits for a better Ovenbook, and stops no other.
            why = f"a fault in Ovenbook itself ({type(fault).__name__}: {fault}); the log stays beside the archive"
            results.append(ImportResult(waiting.name, waiting.sha256, "held", why))
            continue
        spool.done(waiting)
        results.append(result)
    return results


def _incoming(
    archive_path: Path,
    files: Sequence[tuple[Path | None, str]],
    options: ImportOptions,
    options_for: Callable[[Path, str], ImportOptions | None] | None,
) -> Iterator[Incoming]:
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


def _batches(logs: Iterator[Incoming]) -> Iterator[list[Incoming]]:
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


@dataclass
class _Begun:
    """Logs under way: looked up, and being read; `done` when there is nothing left to do."""

    logs: Sequence[Incoming]
    hashes: Sequence[str]
    readings: Callable[[], dict[int, Reading]] = dict
    done: list[ImportResult] | None = None


@dataclass
class _Taking:
    """One import under way. `alone`: the only log of the call, so "the last run before" has a meaning without a clock."""

    archive: Archive
    after_store: AfterStore | None
    wait_s: float
    alone: bool
    received_at: datetime | None = None
    spooling: bool = True
    zone: str = ""
    reading: Readers = field(default_factory=lambda: Readers(0))
    numbers: Numbers = field(default_factory=dict[str, list[int]])
    by_itself: int = 0  # so many of the next logs are taken one by one
    given: dict[int, tuple[ImportOptions, Given]] = field(default_factory=dict[int, tuple[ImportOptions, Given]])

    def take(self, logs: Sequence[Incoming]) -> list[ImportResult]:
        return self.finish(self.begin(logs))

    def begin(self, logs: Sequence[Incoming]) -> _Begun:
        """Looks the logs up and begins to read those that are not stored yet; one small log is taken at once."""
        hashes = [hashlib.sha256(log.data).hexdigest() if log.data or not log.problem else "" for log in logs]
        try:
            with self.archive.connect(self.wait_s) as con:
                known, layouts, logs = self._looked_up(con, logs, hashes)
                if len(logs) == 1 and len(logs[0].data) <= QUICK_BYTES:
                    return _Begun(logs, hashes, done=[self._one(con, logs[0], hashes[0], None)])
        except ArchiveBusy as busy:
            return _Begun(logs, hashes, done=self._spooled(logs, busy))
        new = [i for i, sha256 in enumerate(hashes) if sha256 not in known or known[sha256].status != "stored"]
        sound = [i for i in new if logs[i].problem is None]
        readings = self.reading.begin(
            [(logs[i].data, logs[i].name, logs[i].options.answers) for i in sound], layouts, self.zone
        )
        rejected = {i: self._read(logs[i], layouts) for i in new if logs[i].problem is not None}
        return _Begun(logs, hashes, lambda: rejected | dict(zip(sound, readings(), strict=True)))

    def finish(self, begun: _Begun) -> list[ImportResult]:
        """Stores what was read."""
        if begun.done is not None:
            return begun.done
        try:
            return self._store(begun.logs, begun.hashes, begun.readings())
        except ArchiveBusy as busy:
            return self._spooled(begun.logs, busy)

    def _spooled(self, logs: Sequence[Incoming], busy: ArchiveBusy) -> list[ImportResult]:
        if not self.spooling or any(log.options.dry_run for log in logs):
            raise busy
        return list(keep_for_later(self.archive.path, logs, busy))

    def take_spooled(self, waiting: spool.Spooled, data: bytes) -> ImportResult:
        try:
            return self.take([Incoming(waiting.name, waiting.name, data, waiting.options)])[0]
        except OptionsError as error:
            # What it named has gone since: the log still goes in, without the names, and says so.
            bare = ImportOptions(source=waiting.options.source, answers=waiting.options.answers)
            result = self.take([Incoming(waiting.name, waiting.name, data, bare)])[0]
            return replace(result, warnings=(*result.warnings, Notice("options_dropped", str(error))))

    def _looked_up(
        self, con: Connection, logs: Sequence[Incoming], hashes: Sequence[str]
    ) -> tuple[dict[str, Existing], list[LayoutFound], list[Incoming]]:
        """What the archive knows of these bytes, the layouts it remembers, and the logs with their options complete."""
        self.zone = self.zone or zone_of(con)
        known = existing_logs(con, hashes)
        logs = [self._on_top(log, known.get(sha256)) for log, sha256 in zip(logs, hashes, strict=True)]
        for log in logs:
            self._given(con, log.options)
        return known, remembered(con), logs

    @staticmethod
    def _on_top(log: Incoming, existing: Existing | None) -> Incoming:
        """A held log that comes again keeps the answers and options it came with before."""
        if existing is None or existing.status != "held":
            return log
        return replace(log, options=log.options.over(existing.options | {"answers": existing.answers}))

    def _given(self, con: Connection, options: ImportOptions) -> Given:
        key = id(options)
        if key not in self.given:
            self.given[key] = (options, look_up(con, options, self.zone))
        return self.given[key][1]

    def _read(self, log: Incoming, layouts: Sequence[LayoutFound]) -> Reading:
        if log.problem is not None:
            return Reading("rejected", log.problem)
        return understand(log.data, log.name, log.options.answers, layouts, self.zone)

    def _store(
        self,
        logs: Sequence[Incoming],
        hashes: Sequence[str],
        readings: dict[int, Reading],
    ) -> list[ImportResult]:
        results: list[ImportResult] = []
        while len(results) < len(logs):
            try:
                with self.archive.connect(self.wait_s) as con:
                    until = time.monotonic() + HOLD_S
                    while len(results) < len(logs) and time.monotonic() < until:
                        i = len(results)
                        some = self._together(
                            con, logs[i:], hashes[i:], [readings.get(k) for k in range(i, len(logs))], until
                        )
                        results += some or [self._one(con, logs[i], hashes[i], readings.get(i))]
            except ArchiveBusy as busy:
                results += self._spooled(logs[len(results) :], busy)
        return results

    def _together(
        self,
        con: Connection,
        logs: Sequence[Incoming],
        hashes: Sequence[str],
        readings: Sequence[Reading | None],
        until: float,
    ) -> list[ImportResult]:
        """Stores the first of these logs in one transaction, as many as are easy and fit into the time; none when the
        first is not easy, or when one of them cannot be stored after all: then each is taken by itself."""
        at_once = self.after_store is None or hasattr(self.after_store, "many")
        if not at_once or len(logs) < 2 or any(log.options.dry_run for log in logs) or self.by_itself > 0:
            self.by_itself = max(self.by_itself - 1, 0)
            return []
        count = easy_ones(con, [log.name for log in logs], hashes, readings)
        if count < 2:
            return []
        results: list[ImportResult] = []
        received_at = self.received_at or datetime.now(UTC)
        try:
            with self.archive.transaction(con, self.wait_s) as inside:
                together = Together.begin(inside, self.after_store, readings[:count], self.numbers)
                for log, sha256, reading in zip(logs[:count], hashes, readings, strict=False):
                    if reading is None or (results and time.monotonic() > until):
                        break
                    given = self._given(inside, log.options)
                    results.append(
                        keep(inside, log, sha256, reading, given, received_at, alone=self.alone, together=together)
                    )
                return together.finish(results)
        except ArchiveBusy:
            raise
        except Exception:
            logging.getLogger(__name__).debug("%s logs were not stored together", count, exc_info=True)
            self.by_itself = len(results) + 1
            return []

    def _one(self, con: Connection, log: Incoming, sha256: str, reading: Reading | None) -> ImportResult:
        existing = existing_logs(con, [sha256]).get(sha256)
        if existing is not None and existing.status == "stored":
            return known_result(con, log, sha256, existing)
        if reading is None:
            reading = self._read(log, remembered(con))
        longer = log_that_holds_it(con, log.name, log.data, reading.head) if existing is None else None
        if longer is not None:
            again = known_result(con, log, sha256, existing_log(con, longer))
            return replace(again, reason=f"the beginning of log {longer}, {again.reason}")
        received_at = self.received_at or datetime.now(UTC)
        given = self._given(con, log.options)
        if log.options.dry_run or not sha256:
            return keep(None, log, sha256, reading, given, received_at)
        try:
            with self.archive.transaction(con, self.wait_s) as inside:
                return keep(
                    inside, log, sha256, reading, given, received_at, alone=self.alone, after_store=self.after_store
                )
        except DuplicateLog:  # another thread stored the same bytes between the look and the transaction
            return known_result(con, log, sha256, existing_logs(con, [sha256])[sha256])
