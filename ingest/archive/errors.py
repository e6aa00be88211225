"""What the archive raises."""

from __future__ import annotations


class ArchiveError(Exception):
    """Something the archive cannot or will not do. The text is one clear line that names the way out."""


class ArchiveBusy(ArchiveError):
    """Another program, or another part of this one, held the archive for longer than the wait. Trying later helps."""


class DuplicateLog(ArchiveError):
    """The same bytes are stored already, as log `log_id`."""

    def __init__(self, log_id: int) -> None:
        super().__init__(f"these bytes are stored already as log {log_id}")
        self.log_id = log_id
