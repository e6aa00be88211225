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

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from ingest import spool
from ingest.answering import answer_log, correct_layout
from ingest.archive import Archive, ArchiveBusy, ArchiveError
from ingest.import_result import ChannelResult, ImportOptions, ImportResult, RunResult
from ingest.incoming import Incoming, batches, incoming
from ingest.keeping import AfterStore
from ingest.known_names import OptionsError
from ingest.later import keep_for_later
from ingest.members import MAX_UNPACKED, find_files, members
from ingest.readers import Readers, readers_for
from ingest.taking import Begun, Taking

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


def import_bytes(
    archive: Archive,
    data: bytes,
    name: str,
    options: ImportOptions | None = None,
    after_store: AfterStore | None = None,
    *,
    wait_s: float = 10.0,
) -> list[ImportResult]:
    """Take in one log, or the logs of one zip (of which at most MAX_UNPACKED bytes are unpacked). One result a log.

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
    logs = [Incoming(m.name, m.name, m.data, options, m.problem) for m in members(data, name, max_bytes=MAX_UNPACKED)]
    _one_start_for_one_log(options, len(logs))
    return Taking(archive, after_store, wait_s, alone=len(logs) == 1).take(logs)


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
        taking = Taking(archive, after_store, wait_s, alone=len(files) == 1, reading=reading)
        begun: deque[Begun] = deque()
        try:
            for batch in batches(incoming(archive.path, files, options, options_for)):
                if len(begun) <= reading.ahead:
                    begun.append(taking.begin(batch))
                    continue
                results, begun_too = taking.finish(begun.popleft(), batch)
                yield from _said(results, progress)
                begun.append(begun_too or taking.begin(batch))
        except OptionsError:  # one of the files ahead: those before it are taken in first
            while begun:
                yield from _said(taking.finish(begun.popleft())[0], progress)
            raise
        while begun:
            yield from _said(taking.finish(begun.popleft())[0], progress)


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
    return keep_for_later(archive_path, incoming(Path(archive_path), files, options, None), busy)


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
        taking = Taking(archive, after_store, wait_s, alone=True, received_at=waiting.received_at, spooling=False)
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
