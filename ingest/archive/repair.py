"""What a program that was ended in the middle of things leaves behind, and putting it right at the next start."""

from __future__ import annotations

import os
from pathlib import Path

from ingest import spool
from ingest.archive import default_path, open_archive
from ingest.archive.connection import Archive, connect


def at_start(path: str | os.PathLike[str] | None = None) -> list[str]:
    """Puts the archive at `path` (else the default one) and its spool right; returns a sentence for each thing done.

    Opening plays a left-over write-ahead log in (whole transactions only) and finishes or repeats a migration; copies
    that were cut off are removed; the spool is checked. The original and everything acknowledged stay. Raises
    ArchiveError as `open_archive`. To be called once, before a process begins to work.
    """
    place = Path(path if path is not None else default_path()).expanduser().resolve()
    left_over = _left_over(place)
    archive = open_archive(path)
    if archive.read_only:
        return []
    said = (
        [f"{place.name}: {left_over} bytes of the last program's write-ahead log were played in"] if left_over else []
    )
    said += _cut_off_copies(archive)
    said += spool.repair(archive.path)
    return said


def _left_over(place: Path) -> int:
    """Size of a write-ahead log that nobody is writing any more [bytes]; it is played in by looking, so look once."""
    log = place.with_name(place.name + ".wal")
    if not (place.exists() and log.exists() and os.access(place, os.W_OK) and os.access(place.parent, os.W_OK)):
        return 0
    # Another program's log is gone when it lets go of the archive; one that is there now was left by a program that died.
    with connect(place):
        return log.stat().st_size if log.exists() else 0


def _cut_off_copies(archive: Archive) -> list[str]:
    """Copies made before a migration that never got their name. Backups elsewhere are the business of `backup`."""
    said: list[str] = []
    place = archive.path
    # Under the archive's lock: whoever makes such a copy holds it, so none that is being written is removed.
    with archive.connect():
        for part in sorted(place.parent.glob(f"{place.stem}.before-*{place.suffix}.part*")):
            part.unlink(missing_ok=True)
            said.append(f"{part.name}: a copy that was cut off: removed")
    return said
