"""Logs that find the archive held: kept in the spool beside it, with what was said of them, and told so in one line."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator

from ingest import spool
from ingest.archive import ArchiveBusy, ArchiveError
from ingest.import_result import ImportResult
from ingest.incoming import Incoming


def keep_for_later(
    archive_path: str | os.PathLike[str], logs: Iterable[Incoming], busy: ArchiveBusy
) -> Iterator[ImportResult]:
    """Puts each log in the spool of the archive that `busy` says is held. On disk when its result is given.

    Raises ArchiveError when there is no room or right for it beside the archive either; those before it are kept.
    """
    for log in logs:
        sha256 = hashlib.sha256(log.data).hexdigest()
        if log.problem is not None:
            yield ImportResult(log.file, sha256 if log.data else "", "rejected", log.problem)
            continue
        try:
            spool.put(archive_path, log.data, log.name, sha256, log.options)
        except OSError as error:
            raise ArchiveError(f"{busy}; nor can the log be kept beside it ({error.strerror or error})") from None
        reason = f"not stored yet: {busy}. The log is kept beside the archive and goes in with the next import"
        yield ImportResult(log.file, sha256, "held", reason)
